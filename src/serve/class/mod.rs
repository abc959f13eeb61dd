//! A class at once: groups join by a short code from the class's network, the teacher sees all of them.
//!
//! The room, its queue and its guards are those of [`crate::serve`]; here stand the door, the teacher's page and what is made of
//! all groups together. There are two ways in ([`crate::serve::Entrance`]): groups come by the address that the teacher chose,
//! plain or encrypted; the teacher comes by the loopback address of the machine itself, with a key that the terminal shows.
//! A teacher's session counts there alone.
//!
//! # The interface behind the pages (as [`crate::serve`] says; all but the first three are the teacher's)
//! ```text
//! GET  /join                       the door                GET /class/static/{name}
//! POST /api/join                   {"code", "name"} → a session
//! GET  /class                      the teacher's page      GET /class/join.svg
//! GET  /api/class?after=N          all groups; waits until something has changed since N
//! POST /api/class/common           the rig and the forecast for all
//! POST /api/class/record           {"launcher", "session", "setting", …, "flights": [[clip, number], …]} into the shot book
//! GET  /api/class/drift?launcher=…
//! POST /api/class/aim              where the target goes
//! POST /api/class/forgive | clear
//! POST /api/class/groups/{id}/let-in     DELETE /api/class/groups/{id}
//! GET  /api/class/file/{name}      class.csv, class.html, class.pdf, class.png, class.svg, drift.png, drift.svg
//! ```

pub mod address;
mod book;
pub mod code;
mod door;
mod list;
mod routes;
mod tls;

use std::collections::HashMap;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use tokio::net::TcpListener;

pub use door::{Attempt, Door};
pub use routes::router;

use crate::report::class::ClassLine;
use crate::serve::limits::Limits;
use crate::serve::setup::Common;
use crate::serve::{
    Entrance, Mode, Room, RoomOptions, ServeError, asked_to_end, guarded, http, id::Id, listen, workers,
};

/// How a class is opened.
#[derive(Debug, Clone)]
pub struct ClassOptions {
    /// Only by this address of the machine is it reachable; chosen by the teacher.
    pub address: Ipv4Addr,
    pub port: Option<u16>,
    pub folder: PathBuf,
    pub limits: Limits,
    /// Encrypted, by a certificate of its own making.
    pub tls: bool,
    /// The shot book.
    pub book: PathBuf,
}

/// What the teacher needs to know when the class is open.
#[derive(Debug, Clone)]
pub struct Opened {
    pub code: String,
    /// Where groups go and type the code.
    pub join: String,
    /// `join` with the code in it, as a QR code.
    pub qr: String,
    /// Opens everything, from this machine alone.
    pub teacher: String,
    /// SHA-256 of the certificate; `None` without encryption.
    pub fingerprint: Option<String>,
    /// What else must be known.
    pub notes: Vec<String>,
}

/// On what the lines of a recording depend: its step, the run behind it, and what is common to all.
type LinesOf = (u64, u32, Common);

/// What a class has beside its room.
pub struct Class {
    pub door: Door,
    pub book: PathBuf,
    pub join: String,
    pub fingerprint: Option<String>,
    /// Lines of measured recordings: the list is asked for often and changes rarely.
    lines: Mutex<HashMap<Id, (LinesOf, Vec<ClassLine>)>>,
    /// Held while somebody comes in.
    joining: Mutex<()>,
}

impl Class {
    pub fn new(door: Door, book: PathBuf, join: String, fingerprint: Option<String>) -> Self {
        Self { door, book, join, fingerprint, lines: Mutex::default(), joining: Mutex::default() }
    }

    fn join_with_code(&self) -> String {
        format!("{}?code={}", self.join, self.door.code())
    }
}

/// Where a class's data stand when no folder is named: beside the shot book, apart from what one keeps for oneself.
///
/// # Errors
/// [`ServeError::NoPlace`].
pub fn default_folder() -> Result<PathBuf, ServeError> {
    Ok(crate::serve::default_folder()?.with_file_name("class"))
}

/// Serves a class until the process is asked to end. `ready` is told the addresses.
///
/// # Errors
/// [`ServeError`] when it can't start.
pub async fn serve_class(options: ClassOptions, ready: impl FnOnce(&Opened)) -> Result<(), ServeError> {
    address::check(options.address)?;
    let listener = listen(options.address, options.port).await?;
    let port = listener.local_addr()?.port();
    let own = listen_beside(port).await?;
    let own_port = own.local_addr()?.port();
    let room = Arc::new(Room::open(RoomOptions {
        mode: Mode::Class,
        folder: options.folder.clone(),
        limits: options.limits,
        program: std::env::current_exe()?,
    })?);
    let tls = options.tls.then(|| tls::of(&options.folder, options.address)).transpose()?;
    let host = format!("{}:{port}", options.address);
    let base = format!("{}://{host}", if options.tls { "https" } else { "http" });
    let fingerprint = tls.as_ref().map(|tls| tls.fingerprint.clone());
    let door = Door::of(&options.folder)?;
    let class = Arc::new(Class::new(door, options.book, format!("{base}/join"), fingerprint.clone()));
    let notes = crate::serve::notes(&room, own.local_addr()?).await;
    workers::start(&room);
    ready(&Opened {
        code: class.door.code(),
        join: class.join.clone(),
        qr: code::text(&class.join_with_code())?,
        teacher: format!("http://127.0.0.1:{own_port}/enter?key={}", room.key()),
        fingerprint,
        notes,
    });
    let routes = crate::serve::router(room.clone()).merge(router(room.clone(), class));
    let open = Entrance { port, hosts: vec![host], secure: options.tls, owner: false };
    let (of_groups, of_teacher) = (guarded(open, routes.clone()), guarded(Entrance::own(own_port), routes));
    tokio::join!(
        http::run(listener, tls.map(|tls| tls.acceptor), of_groups, &room.limits, asked_to_end()),
        http::run(own, None, of_teacher, &room.limits, asked_to_end())
    );
    Ok(())
}

/// The teacher's port: the class's own number where it is free on the loopback address, so that both are found again.
async fn listen_beside(port: u16) -> Result<TcpListener, ServeError> {
    match TcpListener::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, port))).await {
        Ok(listener) => Ok(listener),
        Err(_) => listen(Ipv4Addr::LOCALHOST, None).await,
    }
}
