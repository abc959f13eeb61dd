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

/// A way into a room: one listener, the names it goes by, and whom it lets through.
#[derive(Debug, Clone)]
pub struct Entrance {
    /// Decides the cookie's name: browsers keep cookies by host and not by port.
    pub port: u16,
    /// Names and addresses, with the port, by which browsers may call.
    pub hosts: Vec<String>,
    /// Encrypted.
    pub secure: bool,
    /// Whether the room's key and a teacher's session count here. They don't where a class comes in: then nothing that is read
    /// from the air or over a shoulder opens everybody's clips.
    pub owner: bool,
}

impl Entrance {
    /// Where only browsers of this machine come in.
    pub fn own(port: u16) -> Self {
        let hosts = ["127.0.0.1", "localhost"].map(|name| format!("{name}:{port}")).to_vec();
        Self { port, hosts, secure: false, owner: true }
    }

    pub fn cookie_name(&self) -> String {
        format!("lobline-{}", self.port)
    }

    /// The header that gives a browser its session.
    pub fn cookie(&self, session: &str) -> String {
        let secure = if self.secure { "; Secure" } else { "" };
        // Sessions outlive the browser: a phone may close it in the middle of a lesson.
        format!("{}={session}; Path=/; HttpOnly; SameSite=Strict; Max-Age=2592000{secure}", self.cookie_name())
    }
}

/// Puts the guards around routes.
pub fn guarded(entrance: Entrance, routes: Router) -> Router {
    routes.layer(from_fn_with_state(Arc::new(entrance), guard))
}

async fn guard(State(entrance): State<Arc<Entrance>>, mut request: Request, next: Next) -> Response {
    let mut response = match check(&entrance, &request) {
        Ok(()) => {
            request.extensions_mut().insert(entrance);
            next.run(request).await
        }
        Err(refusal) => refusal.into_response(),
    };
    put_headers(response.headers_mut());
    response
}

/// A page elsewhere can point a browser at this server (also by a name that it makes resolve to it); the browser then says in
/// Host, Origin and Sec-Fetch-Site what it is doing.
fn check(entrance: &Entrance, request: &Request) -> Result<(), Refusal> {
    let headers = request.headers();
    let mut hosts = headers.get_all(header::HOST).iter();
    let host = hosts.next().and_then(|host| host.to_str().ok());
    let known = |host: &str| entrance.hosts.iter().any(|own| own.eq_ignore_ascii_case(host));
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
            let scheme = if entrance.secure { "https://" } else { "http://" };
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
        let entrance = parts.extensions.get::<Arc<Entrance>>().cloned().ok_or_else(Refusal::no_session)?;
        let name = entrance.cookie_name();
        let cookies = parts.headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let mut pairs = cookies.flat_map(|cookies| cookies.split(';')).filter_map(|pair| pair.trim().split_once('='));
        let session = pairs.find(|(key, _)| *key == name).map(|(_, value)| value.to_owned());
        let who = session.and_then(|session| room.who(&session));
        let may_pass = |who: &Who| entrance.owner || *who != Who::Teacher;
        who.filter(may_pass).map(Session).ok_or_else(Refusal::no_session)
    }
}
