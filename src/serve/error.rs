//! What went wrong, for the terminal and for the page.

use std::io;
use std::path::PathBuf;

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};

/// Why the server can't start or go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ServeError {
    #[error("cannot use the folder `{}`: {source}", path.display())]
    Folder { path: PathBuf, source: io::Error },
    #[error("another lobline already serves the folder `{}`", path.display())]
    FolderInUse { path: PathBuf },
    #[error("the folder `{}` holds {}", path.display(), if *class { "a class" } else { "a page for one" })]
    OtherMode { path: PathBuf, class: bool },
    #[error("`{address}` is no address of this machine")]
    Address { address: std::net::Ipv4Addr, own: String },
    #[error("what is kept in `{}` can't be read: {what}", path.display())]
    Damaged { path: PathBuf, what: String },
    #[error("cannot listen on port {port}: {source}")]
    Port { port: u16, source: io::Error },
    #[error("no place for the page's data is known on this machine")]
    NoPlace,
    #[error("the server stopped: {0}")]
    Stopped(#[from] io::Error),
}

impl ServeError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        if let Self::Address { own, .. } = self {
            return format!("choose one of {own}");
        }
        match self {
            Self::OtherMode { class: true, .. } => "open it with `--class`, or give this page another `--folder`",
            Self::OtherMode { class: false, .. } => "give the class another `--folder`",
            Self::Address { .. } => "choose another",
            Self::Folder { .. } => "choose another with `--folder`, in which you may write",
            Self::FolderInUse { .. } => {
                "open the address that the other one printed, or give this one its own `--folder`"
            }
            Self::Damaged { .. } => "move the folder away and start again; the clips in it are whole",
            Self::Port { .. } => "leave `--port` out, and a free one is taken",
            Self::NoPlace => "give a folder with `--folder`",
            Self::Stopped(_) => "start it again; nothing is lost",
        }
        .to_owned()
    }
}

/// An answer to the page that isn't what it asked for: what is wrong, and what to do next.
#[derive(Debug, Clone, PartialEq)]
pub struct Refusal {
    pub status: StatusCode,
    pub message: String,
    pub hint: String,
}

#[derive(Serialize)]
struct Body<'a> {
    message: &'a str,
    hint: &'a str,
}

impl Refusal {
    pub fn new(status: StatusCode, message: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { status, message: message.into(), hint: hint.into() }
    }

    /// The same words whether it isn't there or isn't yours: nobody learns which.
    pub fn not_found() -> Self {
        Self::new(StatusCode::NOT_FOUND, "There is nothing here.", "Go back to your sheet.")
    }

    pub fn no_session() -> Self {
        Self::new(
            StatusCode::FORBIDDEN,
            "This browser hasn't been let in.",
            "Open the address that lobline printed in the terminal, or join the class again.",
        )
    }

    pub fn wrong(message: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, message, hint)
    }

    /// Something here failed, of which the client can know nothing.
    pub fn internal(error: impl std::fmt::Display) -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            format!("The server couldn't do that: {error}."),
            "Try once more; if it stays, start the server again. Nothing is lost.",
        )
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        (self.status, Json(Body { message: &self.message, hint: &self.hint })).into_response()
    }
}

/// Why a clip came to nothing, in the page's words; kept with the recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Failure {
    pub kind: FailureKind,
    pub message: String,
    pub hint: String,
}

/// What the page can offer about a failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FailureKind {
    /// It isn't a clip, or a damaged one: another file is wanted.
    NotAClip,
    /// It asks for more memory or time than is allowed.
    TooMuch,
    NoScale,
    /// The ball can be shown once.
    NoFlight,
    /// Too little to go by.
    NoFit,
    /// Something that was typed.
    Setup,
    /// A fault of the program.
    Fault,
}

impl Failure {
    pub fn new(kind: FailureKind, message: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { kind, message: message.into(), hint: hint.into() }
    }
}
