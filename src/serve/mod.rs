//! The page: from a phone's clip to a lab sheet without a command line.
//!
//! A small server that only this machine reaches (unless a class is opened, see `class`), and one HTML page that fills
//! itself from top to bottom. It measures nothing itself: everything goes through the functions that the command line
//! calls.
//!
//! # What is kept
//! ```text
//! Room                     one running server: mode, limits, sessions, what is common to all, the queue
//!  └─ Group                a private folder (0700); in alone mode there is just one
//!      └─ Recording        one uploaded clip under a random name, and
//!           ├─ Step …      the undo history: each step a whole Setup (scale, ball, rate …) and Mending (sightings touched)
//!           ├─ run-1 …     what the child process made of the clip under one Setup: measurement, strobe cuttings, frames
//!           └─ Stage       waiting (place in the queue), working (how far), done, or failed (what, and what to do)
//! ```
//! Each group's and recording's state is a JSON file that is replaced whole at every change, before the answer is sent. Reload
//! or restart and nothing is lost: what was waiting or running is queued again. A measurement shown on the page is the run's
//! measurement with the step's mending applied (`measure::mend`) and set against the forecast
//! (`measure::set_against`): it follows from the files, so that it needn't be stored.
//!
//! # Who may do what
//! A session is a random secret in a cookie (HttpOnly, SameSite=Strict). `Who` says what it opens: one group, or, for the
//! teacher of a class, all. In alone mode the address printed in the terminal carries the secret once. Guards
//! (`guard`): the Host must be one that this server goes by, a request that changes something must come from its own Origin,
//! every answer carries a strict content policy. No path or file name of a client is ever used: ids are random, downloads go by a
//! closed list of names. An upload is limited in size, number, time and slowness. A clip is opened only in a child process with
//! limits on memory, processor time, file size and wall time, kept to its own files (`child`).
//!
//! # The queue
//! Round robin over the groups, so that nobody starves behind one who sends twenty clips; as many at a time as there are cores;
//! what somebody waits for (a still, a measurement) goes before what is only made ready (frames to look at). See `queue`.
//!
//! # How the class plugs in
//! `class` makes a `Room` of `Mode::Class`, lets groups in with `Room::admit`, and builds its own `axum::Router` over the
//! same `Arc<Room>`; `router` gives the student's routes, and `guarded` puts the guards around both:
//! ```text
//! let app = guarded(entrance, serve::router(room.clone()).merge(class::router(room.clone(), …)));
//! serve::http::run(listener, tls, app, limits, stop).await
//! ```
//! The class's page shows `Room::groups` (names, recordings, answers), follows `Room::changes`, and sets what is common to
//! all (rig and forecast) with `Room::set_common`. A handler of the class takes a `Session` and asks whether it is the
//! `Who::Teacher`'s. The teacher opens a group's sheet at `/group/{id}`, which is the student's page.
//!
//! # The interface behind the page (JSON; ids are random; errors are `{"message", "hint"}`)
//! ```text
//! GET    /enter?key=…                      the printed address: sets the cookie, goes on to /
//! GET    /                                 the page          GET /static/{name}
//! GET    /api/sheet                        the group: its recordings in short, and what is common to all
//! POST   /api/clips?name=…                 a clip as the body → {"id"}
//! GET    /api/clips/{id}?after=N           the whole sheet of a recording; waits until its revision is past N
//! POST   /api/clips/{id}/setup             {"step", "setup"}: another setup → measured again (or the run is still there)
//! POST   /api/clips/{id}/mend              {"step", "change"}; the change is {"drop": [frame, …]}, {"restore": frame} or
//!                                          {"place": {"frame", "at": [x, y]}}, px
//! POST   /api/clips/{id}/undo | redo       {"step"}
//! POST   /api/clips/{id}/cancel | again | overlay
//! POST   /api/clips/{id}/peek              {"around": frame | null}: makes frames ready, to find the ball in by eye
//! POST   /api/clips/{id}/aim               {"flight", "opening", …} → where the target goes, in sentences
//! DELETE /api/clips/{id}
//! GET    /api/clips/{id}/still | frame/{n} | peek/{n} | picture/{name} | file/{name}
//! ```
//! `step` is the step the page was showing: when another tab has gone on meanwhile, the answer is 409 and the page says so.

pub mod aim;
mod change;
pub mod child;
pub mod class;
pub mod error;
pub mod guard;
pub mod http;
pub mod id;
pub mod limits;
pub mod measured;
mod patience;
pub mod queue;
pub mod recording;
pub mod room;
pub mod routes;
pub mod setup;
mod turns;
pub mod view;
pub mod workers;

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;

use tokio::net::TcpListener;

pub use error::ServeError;
pub use guard::{Entrance, guarded};
pub use room::{Mode, Room, RoomOptions, Who};
pub use routes::router;

use limits::Limits;

/// Where a server's data stand when no folder is named: beside the shot book.
///
/// # Errors
/// [`ServeError::NoPlace`].
pub fn default_folder() -> Result<PathBuf, ServeError> {
    let book = crate::book::default_book().map_err(|_| ServeError::NoPlace)?;
    Ok(book.with_file_name("page"))
}

/// The port that is tried first, so that a page that is still open finds the server again after a restart.
pub const USUAL_PORT: u16 = 7321;

/// Opens a port of this machine; a free one near [`USUAL_PORT`] when none is asked for.
///
/// # Errors
/// [`ServeError::Port`].
pub async fn listen(address: Ipv4Addr, port: Option<u16>) -> Result<TcpListener, ServeError> {
    let open = |port| TcpListener::bind(SocketAddr::from((address, port)));
    if let Some(port) = port {
        return open(port).await.map_err(|source| ServeError::Port { port, source });
    }
    for port in USUAL_PORT..USUAL_PORT + 20 {
        if let Ok(listener) = open(port).await {
            return Ok(listener);
        }
    }
    open(0).await.map_err(|source| ServeError::Port { port: 0, source })
}

/// Serves one student on this machine until the process is asked to end. `ready` is told the address with its secret, and
/// what else must be known.
///
/// # Errors
/// [`ServeError`] when it can't start.
pub async fn serve_alone(
    port: Option<u16>,
    folder: PathBuf,
    limits: Limits,
    ready: impl FnOnce(&str, &[String]),
) -> Result<(), ServeError> {
    let listener = listen(Ipv4Addr::LOCALHOST, port).await?;
    let port = listener.local_addr()?.port();
    let room =
        Arc::new(Room::open(RoomOptions { mode: Mode::Alone, folder, limits, program: std::env::current_exe()? })?);
    let notes = notes(&room, listener.local_addr()?).await;
    workers::start(&room);
    ready(&format!("http://127.0.0.1:{port}/enter?key={}", room.key()), &notes);
    let app = guarded(Entrance::own(port), router(room.clone()));
    http::run(listener, None, app, &room.limits, asked_to_end()).await;
    Ok(())
}

/// What whoever starts a server must know: of what was found in its folder, and against what this system doesn't guard.
async fn notes(room: &Room, own: SocketAddr) -> Vec<String> {
    let mut notes = room.notes.clone();
    notes.extend(child::unguarded(room, own).await);
    notes
}

/// Waits until the terminal or the system asks the process to end.
pub async fn asked_to_end() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = terminate.recv() => {}
            }
            return;
        }
    }
    let _ = tokio::signal::ctrl_c().await;
}
