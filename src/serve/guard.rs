//! What stands before every request: the right Host, the right Origin, and headers that let nothing in or out.

use std::sync::Arc;

use axum::Router;
use axum::extract::{FromRequestParts, Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode, request::Parts};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};

use super::error::Refusal;
use super::id::Id;
use super::room::{Room, Who};

/// Puts the guards around routes.
pub fn guarded(room: Arc<Room>, routes: Router) -> Router {
    routes.layer(from_fn_with_state(room, guard))
}

async fn guard(State(room): State<Arc<Room>>, request: Request, next: Next) -> Response {
    let mut response = match check(&room, &request) {
        Ok(()) => next.run(request).await,
        Err(refusal) => refusal.into_response(),
    };
    put_headers(response.headers_mut());
    response
}

/// A page elsewhere can point a browser at this server (also by a name that it makes resolve to it); the browser then says in
/// Host, Origin and Sec-Fetch-Site what it is doing.
fn check(room: &Room, request: &Request) -> Result<(), Refusal> {
    let headers = request.headers();
    let mut hosts = headers.get_all(header::HOST).iter();
    let host = hosts.next().and_then(|host| host.to_str().ok());
    let known = |host: &str| room.hosts.iter().any(|own| own.eq_ignore_ascii_case(host));
    if hosts.next().is_some() || !host.is_some_and(known) {
        return Err(Refusal::new(
            StatusCode::MISDIRECTED_REQUEST,
            "This server doesn't go by that name.",
            "Open the address that lobline printed in the terminal.",
        ));
    }
    let foreign = || Refusal::new(StatusCode::FORBIDDEN, "Another page asked for this.", "Use the sheet itself.");
    let changes = !matches!(*request.method(), Method::GET | Method::HEAD);
    match headers.get(header::ORIGIN).map(HeaderValue::to_str) {
        None if changes => return Err(foreign()),
        None => {}
        Some(origin) => {
            let scheme = if room.secure { "https://" } else { "http://" };
            let own = origin.ok().and_then(|origin| origin.strip_prefix(scheme));
            if own.is_none() || own != host {
                return Err(foreign());
            }
        }
    }
    let site = headers.get("sec-fetch-site").and_then(|site| site.to_str().ok());
    let mode = headers.get("sec-fetch-mode").and_then(|mode| mode.to_str().ok());
    let crossed = matches!(site, Some("cross-site" | "same-site")) && mode != Some("navigate");
    if crossed { Err(foreign()) } else { Ok(()) }
}

fn put_headers(headers: &mut HeaderMap) {
    const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; \
                          form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("permissions-policy"), "camera=(), geolocation=(), microphone=()"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}

/// Who asks; a handler that takes it refuses strangers.
#[derive(Debug, Clone)]
pub struct Session(pub Who);

impl Session {
    /// The group itself; `None` for the teacher.
    pub fn group(&self) -> Option<&Id> {
        match &self.0 {
            Who::Group(id) => Some(id),
            Who::Teacher => None,
        }
    }

    /// # Errors
    /// For everybody but the teacher.
    pub fn teacher(&self) -> Result<(), Refusal> {
        if self.0 == Who::Teacher { Ok(()) } else { Err(Refusal::not_found()) }
    }

    /// The group whose recording this is, when it may be opened.
    ///
    /// # Errors
    /// The same whether it isn't there or isn't one's own.
    pub fn owner_of(&self, room: &Room, recording: &str) -> Result<(Id, Id), Refusal> {
        let id = Id::read(recording).ok_or_else(Refusal::not_found)?;
        let owner = room.owner(&id).ok_or_else(Refusal::not_found)?;
        let may = self.group().is_none_or(|group| *group == owner);
        if may { Ok((owner, id)) } else { Err(Refusal::not_found()) }
    }
}

impl FromRequestParts<Arc<Room>> for Session {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, room: &Arc<Room>) -> Result<Self, Refusal> {
        let name = room.cookie_name();
        let cookies = parts.headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let mut pairs = cookies.flat_map(|cookies| cookies.split(';')).filter_map(|pair| pair.trim().split_once('='));
        let session = pairs.find(|(key, _)| *key == name).map(|(_, value)| value.to_owned());
        session.and_then(|session| room.who(&session)).map(Session).ok_or_else(Refusal::no_session)
    }
}
