//! Accepts connections and speaks HTTP/1.1 on them, plain or encrypted, within limits.

use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;
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

/// Where a request comes from; an `Extension` of every request.
#[derive(Debug, Clone, Copy)]
pub struct Peer(pub SocketAddr);

/// Serves until `stop` is there.
pub async fn run(listener: TcpListener, tls: Option<TlsAcceptor>, app: Router, limits: &Limits, stop: impl Future) {
    let places = Arc::new(Semaphore::new(limits.connections));
    let head = limits.head;
    let accept = async {
        loop {
            // Never fails: the semaphore isn't closed.
            let Ok(place) = places.clone().acquire_owned().await else { return };
            let Ok((stream, from)) = listener.accept().await else {
                // Out of file handles: wait until some are free.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            };
            let (app, tls) = (app.clone().layer(Extension(Peer(from))), tls.clone());
            tokio::spawn(async move {
                let _ = stream.set_nodelay(true);
                match tls {
                    None => speak(stream, app, head).await,
                    Some(tls) => {
                        if let Ok(Ok(stream)) = tokio::time::timeout(head, tls.accept(stream)).await {
                            speak(stream, app, head).await;
                        }
                    }
                }
                drop(place);
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
