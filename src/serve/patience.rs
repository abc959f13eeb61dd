//! A connection whose reader must take what is sent to it.
//!
//! No library here does this: timeouts between two writes are satisfied by a byte a minute.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// A stream that fails when its reader takes less than `bytes` in `within` while more is waiting to be sent.
pub struct Patient<S> {
    inner: S,
    within: Duration,
    bytes: usize,
    /// Runs from the moment at which the reader was too slow, with what it took since.
    waiting: Option<(Pin<Box<Sleep>>, usize)>,
}

impl<S> Patient<S> {
    pub fn new(inner: S, within: Duration, bytes: usize) -> Self {
        Self { inner, within, bytes, waiting: None }
    }

    fn took(&mut self, bytes: usize) {
        if let Some((_, taken)) = &mut self.waiting {
            *taken += bytes;
            if *taken >= self.bytes {
                self.waiting = None;
            }
        }
    }

    /// The reader takes nothing at this moment.
    fn waits(&mut self, context: &mut Context<'_>) -> Poll<io::Result<usize>> {
        let within = self.within;
        let (until, _) = self.waiting.get_or_insert_with(|| (Box::pin(sleep(within)), 0));
        match until.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "the reader is too slow"))),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patient<S> {
    fn poll_read(self: Pin<&mut Self>, context: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().inner).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Patient<S> {
    fn poll_write(self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let this = self.get_mut();
        match Pin::new(&mut this.inner).poll_write(context, bytes) {
            Poll::Pending => this.waits(context),
            ready => {
                if let Poll::Ready(Ok(count)) = &ready {
                    this.took(*count);
                }
                ready
            }
        }
    }

    fn poll_flush(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let this = self.get_mut();
        let flushed = Pin::new(&mut this.inner).poll_flush(context);
        if flushed.is_ready() {
            // All that there was has gone out.
            this.waiting = None;
        }
        flushed
    }

    fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().inner).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    const WITHIN: Duration = Duration::from_millis(300);

    /// Sends `size` bytes to a reader that takes `step` of them every 20 ms, through a pipe of 1 KiB.
    async fn sent(size: usize, step: usize) -> io::Result<()> {
        let (near, mut far) = tokio::io::duplex(1024);
        let reader = tokio::spawn(async move {
            let mut buffer = vec![0; step];
            while far.read(&mut buffer).await.is_ok_and(|count| count > 0) {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        });
        let mut stream = Patient::new(near, WITHIN, 4096);
        let sent = async {
            stream.write_all(&vec![0; size]).await?;
            stream.flush().await
        };
        let sent = sent.await;
        reader.abort();
        sent
    }

    #[tokio::test]
    async fn who_reads_is_waited_for_and_who_drips_is_not() {
        // 1024 bytes in 20 ms are 15 KiB in the time allowed, 16 bytes are 240 bytes.
        sent(60_000, 1024).await.unwrap();
        assert_eq!(sent(60_000, 16).await.unwrap_err().kind(), io::ErrorKind::TimedOut);
        // What fits on its way is nobody's fault.
        sent(900, 1).await.unwrap();
    }
}
