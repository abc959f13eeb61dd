//! Accepts connections and speaks HTTP/1.1 on them, plain or encrypted, within limits.

use std::collections::HashMap;
use std::future::Future;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio_rustls::TlsAcceptor;

use super::limits::Limits;
use super::patience::Patient;

/// Where a request comes from; an `Extension` of every request.
#[derive(Debug, Clone, Copy)]
pub struct Peer(pub SocketAddr);

/// Serves until `stop` is there.
pub async fn run(listener: TcpListener, tls: Option<TlsAcceptor>, app: Router, limits: &Limits, stop: impl Future) {
    let places = Arc::new(Semaphore::new(limits.connections));
    let peers = Peers::new(limits.connections_of_one);
    let (head, reader, reader_bytes) = (limits.head, limits.reader, limits.reader_bytes);
    let accept = async {
        loop {
            // Never fails: the semaphore isn't closed.
            let Ok(place) = places.clone().acquire_owned().await else { return };
            let Ok((stream, from)) = listener.accept().await else {
                // Out of file handles: wait until some are free.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            };
            // One who has all that one may have is turned away, and the others' places stay theirs.
            let Some(seat) = peers.seat(from.ip()) else { continue };
            let (app, tls) = (app.clone().layer(Extension(Peer(from))), tls.clone());
            tokio::spawn(async move {
                let _ = stream.set_nodelay(true);
                let stream = Patient::new(stream, reader, reader_bytes);
                match tls {
                    None => speak(stream, app, head).await,
                    Some(tls) => {
                        if let Ok(Ok(stream)) = tokio::time::timeout(head, tls.accept(stream)).await {
                            speak(stream, app, head).await;
                        }
                    }
                }
                drop((place, seat));
            });
        }
    };
    tokio::select! {
        () = accept => {}
        _ = stop => {}
    }
}

async fn speak(stream: impl AsyncRead + AsyncWrite + Unpin, app: Router, head: Duration) {
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(head)
        .max_buf_size(64 << 10)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(app));
    // Clients go away in many ways; none is our business.
    let _ = connection.await;
}

/// How many connections each address has.
#[derive(Clone)]
struct Peers {
    open: Arc<Mutex<HashMap<IpAddr, usize>>>,
    most: usize,
}

impl Peers {
    fn new(most: usize) -> Self {
        Self { open: Arc::default(), most }
    }

    /// `None` when this address has as many as it may.
    fn seat(&self, of: IpAddr) -> Option<Seat> {
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let count = open.entry(of).or_default();
        if *count >= self.most {
            return None;
        }
        *count += 1;
        Some(Seat { peers: self.clone(), of })
    }
}

/// A connection of an address; given back when dropped.
struct Seat {
    peers: Peers,
    of: IpAddr,
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut open = self.peers.open.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = open.get_mut(&self.of) {
            *count -= 1;
            if *count == 0 {
                open.remove(&self.of);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_has_so_many_connections_and_gets_them_back() {
        let peers = Peers::new(2);
        let (one, other) = (IpAddr::from([192, 0, 2, 1]), IpAddr::from([192, 0, 2, 2]));
        let seats = [peers.seat(one).unwrap(), peers.seat(one).unwrap()];
        assert!(peers.seat(one).is_none() && peers.seat(other).is_some());
        drop(seats);
        assert!(peers.seat(one).is_some());
        assert!(peers.open.lock().unwrap().is_empty(), "nothing is kept of who has gone");
    }
}
