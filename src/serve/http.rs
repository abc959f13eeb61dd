//! Accepts connections and speaks HTTP/1.1 on them, within limits.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;

use super::limits::Limits;

/// Serves until `stop` is there.
pub async fn run(listener: TcpListener, app: Router, limits: &Limits, stop: impl Future) {
    let places = Arc::new(Semaphore::new(limits.connections));
    let head = limits.head;
    let accept = async {
        loop {
            // Never fails: the semaphore isn't closed.
            let Ok(place) = places.clone().acquire_owned().await else { return };
            let Ok((stream, _)) = listener.accept().await else {
                // Out of file handles: wait until some are free.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            };
            let app = app.clone();
            tokio::spawn(async move {
                let _ = stream.set_nodelay(true);
                speak(stream, app, head).await;
                drop(place);
            });
        }
    };
    tokio::select! {
        () = accept => {}
        _ = stop => {}
    }
}

async fn speak(stream: TcpStream, app: Router, head: Duration) {
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(head)
        .max_buf_size(64 << 10)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(app));
    // Clients go away in many ways; none is our business.
    let _ = connection.await;
}
