//! Routes of the door and of the teacher's page.

use std::net::IpAddr;
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{DefaultBodyLimit, Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{delete, get, post};
use axum::{Extension, Json, Router};
use serde::{Deserialize, Serialize};

use super::book::{self, Recorded};
use super::list::{self, GroupRow};
use super::{Attempt, Class, code};
use crate::book::chart::control_chart;
use crate::report::class::{csv, figure, html, pdf};
use crate::report::figure::{Sheet, Style, Theme};
use crate::report::numbers::DecimalMark;
use crate::serve::aim::{self, Asked, Launch};
use crate::serve::error::Refusal;
use crate::serve::guard::{Entrance, Session};
use crate::serve::http::Peer;
use crate::serve::id::Id;
use crate::serve::room::{Room, one_line};
use crate::serve::routes::{blocking, in_time, page};
use crate::serve::setup::{Common, Known, Like, Prediction, Setup};

type Shared = State<Arc<Room>>;
type Of = Extension<Arc<Class>>;

/// Groups beyond this are refused: whoever has the code can't fill the disk with them.
const MOST_GROUPS: usize = 80;
/// Letters of a group's name: it must fit a line of a phone.
const LONGEST_NAME: usize = 40;

/// The routes of a class, without the guards.
pub fn router(room: Arc<Room>, class: Arc<Class>) -> Router {
    /// A rig file is larger than anything else that is sent here.
    const SMALL: usize = 64 << 10;
    let routes = Router::new()
        .route("/join", get(join_page))
        .route("/api/join", post(join))
        .route("/class", get(class_page))
        .route("/class/static/{name}", get(static_file))
        .route("/class/join.svg", get(join_picture))
        .route("/api/class", get(list))
        .route("/api/class/common", post(set_common))
        .route("/api/class/record", post(record))
        .route("/api/class/drift", get(drift))
        .route("/api/class/aim", post(aim_for))
        .route("/api/class/forgive", post(forgive))
        .route("/api/class/clear", post(clear))
        .route("/api/class/groups/{id}", delete(remove_group))
        .route("/api/class/groups/{id}/let-in", post(let_in))
        .route("/api/class/file/{name}", get(file))
        .layer(DefaultBodyLimit::max(SMALL))
        .layer(Extension(class));
    in_time(routes, &room.limits).with_state(room)
}

async fn join_page(session: Result<Session, Refusal>) -> Response {
    match session {
        Ok(_) => Redirect::to("/").into_response(),
        Err(_) => page(include_str!("join.html")),
    }
}

async fn static_file(Path(name): Path<String>) -> Result<Response, Refusal> {
    let (kind, text) = match name.as_str() {
        "class.css" => ("text/css; charset=utf-8", include_str!("class.css")),
        "class.js" => ("text/javascript; charset=utf-8", include_str!("class.js")),
        "join.js" => ("text/javascript; charset=utf-8", include_str!("join.js")),
        _ => return Err(Refusal::not_found()),
    };
    Ok(([(header::CONTENT_TYPE, kind)], text).into_response())
}

#[derive(Deserialize)]
struct Joining {
    code: String,
    name: String,
}

async fn join(
    State(room): Shared,
    Extension(class): Of,
    Extension(Peer(from)): Extension<Peer>,
    Extension(entrance): Extension<Arc<Entrance>>,
    Json(joining): Json<Joining>,
) -> Result<Response, Refusal> {
    let attempt = class.door.attempt(&joining.code, from.ip(), Instant::now());
    if attempt != Attempt::Open {
        // The teacher's page tells when somebody is locked out.
        room.changed();
        return Err(no_entry(attempt));
    }
    let session = blocking(move || admitted(&room, &class, &joining.name, from.ip())).await?;
    Ok(([(header::SET_COOKIE, entrance.cookie(&session))], StatusCode::NO_CONTENT).into_response())
}

fn no_entry(attempt: Attempt) -> Refusal {
    if attempt == Attempt::TooMany {
        let message = "Too many wrong codes came from here.";
        return Refusal::new(StatusCode::TOO_MANY_REQUESTS, message, "Wait ten minutes, or ask your teacher.");
    }
    let message = "That isn't the code of this class.";
    Refusal::new(StatusCode::FORBIDDEN, message, "Look at the board and type its six letters again.")
}

/// A session for the group of that name: a new one, or one that the teacher lets back in.
fn admitted(room: &Room, class: &Class, name: &str, from: IpAddr) -> Result<String, Refusal> {
    let name = one_line(name, LONGEST_NAME);
    if name.is_empty() {
        return Err(Refusal::wrong("Your group has no name yet.", "Type one, such as `Table 3`."));
    }
    // Two phones that come with one name at the same moment aren't both the first.
    let _one_by_one = class.joining.lock().unwrap_or_else(PoisonError::into_inner);
    let groups = room.groups();
    if let Some(there) = groups.iter().find(|group| group.name.to_lowercase() == name.to_lowercase()) {
        if class.door.comes_back(&there.id, Instant::now()) {
            return room.admit_again(&there.id);
        }
        return Err(Refusal::wrong(
            "A group of that name is here already.",
            "Choose another name. Is it yours? Then ask your teacher to let you back in, and come again.",
        ));
    }
    if groups.len() >= MOST_GROUPS {
        return Err(Refusal::wrong("This class is full.", "Ask your teacher."));
    }
    if !class.door.takes_group_from(from) {
        return Err(Refusal::wrong("Too many groups came from this device or router.", "Ask your teacher."));
    }
    Ok(room.admit(&name)?.1)
}

async fn class_page(session: Result<Session, Refusal>) -> Result<Response, Refusal> {
    let Ok(session) = session else { return Ok(Redirect::to("/").into_response()) };
    session.teacher()?;
    Ok(page(include_str!("class.html")))
}

async fn join_picture(session: Session, Extension(class): Of) -> Result<Response, Refusal> {
    session.teacher()?;
    let picture = code::svg(&class.join_with_code()).map_err(Refusal::internal)?;
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], picture).into_response())
}

#[derive(Serialize)]
struct ListView {
    /// Give it back as `after` to wait for the next.
    count: u64,
    code: String,
    join: String,
    fingerprint: Option<String>,
    /// Addresses that tried too many wrong codes.
    locked_out: Vec<String>,
    groups: Vec<GroupRow>,
    common: Common,
    launchers: Vec<String>,
}

#[derive(Deserialize)]
struct Wanted {
    after: Option<u64>,
    mark: Option<String>,
    dark: Option<String>,
    launcher: Option<String>,
}

impl Wanted {
    fn mark(&self) -> DecimalMark {
        if self.mark.as_deref() == Some("comma") { DecimalMark::Comma } else { DecimalMark::Point }
    }
}

async fn list(
    State(room): Shared,
    session: Session,
    Extension(class): Of,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Refusal> {
    const LONGEST: Duration = Duration::from_secs(20);
    session.teacher()?;
    let mut changes = room.changes();
    let now = *changes.borrow_and_update();
    if wanted.after == Some(now) {
        let _ = tokio::time::timeout(LONGEST, changes.changed()).await;
        // Rows needn't come faster than eyes follow.
        tokio::time::sleep(Duration::from_millis(300)).await;
    }
    let count = *changes.borrow_and_update();
    let mark = wanted.mark();
    let view = blocking(move || {
        Ok(ListView {
            count,
            code: class.door.code(),
            join: class.join.clone(),
            fingerprint: class.fingerprint.clone(),
            locked_out: class.door.locked_out(Instant::now()).iter().map(ToString::to_string).collect(),
            groups: list::groups(&room, &class, mark),
            common: room.common(),
            launchers: book::launchers(&class),
        })
    })
    .await?;
    Ok(Json(view).into_response())
}

async fn set_common(
    State(room): Shared,
    session: Session,
    Extension(class): Of,
    Json(mut common): Json<Common>,
) -> Result<StatusCode, Refusal> {
    session.teacher()?;
    blocking(move || {
        if let Some(forecast) = &mut common.forecast {
            forecast.known = known_by(&class, forecast, room.common().forecast.as_ref())?;
        }
        room.set_common(common)
    })
    .await?;
    Ok(StatusCode::NO_CONTENT)
}

/// What the shot book says of the shots that are foretold: as it was when it was first asked, for what the class shoots itself goes
/// into it too.
fn known_by(class: &Class, wanted: &Prediction, had: Option<&Prediction>) -> Result<Option<Known>, Refusal> {
    match &wanted.like {
        None => Ok(None),
        Some(Like::Clip(_)) => Err(Refusal::not_found()),
        Some(like) if had.is_some_and(|had| had.like.as_ref() == Some(like) && had.known.is_some()) => {
            Ok(had.and_then(|had| had.known.clone()))
        }
        Some(Like::Book(launcher)) => book::known(class, launcher).map(Some),
    }
}

async fn record(
    State(room): Shared,
    session: Session,
    Extension(class): Of,
    Json(wanted): Json<Recorded>,
) -> Result<Response, Refusal> {
    session.teacher()?;
    let said = blocking(move || book::record(&room, &class, &wanted)).await?;
    Ok(Json(said).into_response())
}

async fn drift(session: Session, Extension(class): Of, Query(wanted): Query<Wanted>) -> Result<Response, Refusal> {
    session.teacher()?;
    let said = blocking(move || book::drift(&class, wanted.launcher)).await?;
    Ok(Json(said).into_response())
}

#[derive(Deserialize)]
struct Aiming {
    /// Whose flights; all groups' when left out.
    group: Option<Id>,
    /// Instead of flights, what the shot book says of this launcher.
    launcher: Option<String>,
    #[serde(flatten)]
    asked: Asked,
}

async fn aim_for(
    State(room): Shared,
    session: Session,
    Extension(class): Of,
    Query(wanted): Query<Wanted>,
    Json(aiming): Json<Aiming>,
) -> Result<Response, Refusal> {
    session.teacher()?;
    let mark = wanted.mark();
    let told = blocking(move || {
        let launch = launch(&room, &class, &aiming)?;
        let rig = Setup::default().settings(&room.common())?.rig;
        aim::answer(launch, &aiming.asked, &rig, mark)
    })
    .await?;
    Ok(Json(told).into_response())
}

/// The launch to aim with: of the shot book, of one group, or of all.
fn launch(room: &Room, class: &Class, aiming: &Aiming) -> Result<Option<Launch>, Refusal> {
    if let Some(launcher) = &aiming.launcher {
        return Ok(Some(Launch::of_book(book::usual(class, launcher)?)));
    }
    let lines = match &aiming.group {
        Some(id) => list::lines_of_group(room, class, &room.group(id).ok_or_else(Refusal::not_found)?),
        None => list::all_lines(room, class),
    };
    let flights: Vec<_> = lines.into_iter().filter_map(|line| line.measured).collect();
    Ok(Launch::of_flights(&flights))
}

async fn forgive(State(room): Shared, session: Session, Extension(class): Of) -> Result<StatusCode, Refusal> {
    session.teacher()?;
    class.door.forgive();
    room.changed();
    Ok(StatusCode::NO_CONTENT)
}

/// The lesson is over: nothing of it stays, and the old code opens nothing.
async fn clear(State(room): Shared, session: Session, Extension(class): Of) -> Result<StatusCode, Refusal> {
    session.teacher()?;
    blocking(move || {
        class.door.renew().map_err(Refusal::internal)?;
        room.clear()
    })
    .await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn remove_group(State(room): Shared, session: Session, Path(id): Path<String>) -> Result<StatusCode, Refusal> {
    session.teacher()?;
    let id = Id::read(&id).ok_or_else(Refusal::not_found)?;
    blocking(move || room.remove_group(&id)).await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn let_in(
    State(room): Shared,
    session: Session,
    Extension(class): Of,
    Path(id): Path<String>,
) -> Result<StatusCode, Refusal> {
    session.teacher()?;
    let group = Id::read(&id).and_then(|id| room.group(&id)).ok_or_else(Refusal::not_found)?;
    class.door.let_in_again(group.id, Instant::now());
    Ok(StatusCode::NO_CONTENT)
}

/// Table, graph and control chart.
async fn file(
    State(room): Shared,
    session: Session,
    Extension(class): Of,
    Path(name): Path<String>,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Refusal> {
    session.teacher()?;
    let kind = match name.as_str() {
        "class.csv" => "text/csv; charset=utf-8",
        "class.html" => "text/html; charset=utf-8",
        "class.pdf" => "application/pdf",
        "class.svg" | "drift.svg" => "image/svg+xml",
        "class.png" | "drift.png" => "image/png",
        _ => return Err(Refusal::not_found()),
    };
    let disposition = format!("attachment; filename=\"{name}\"");
    let Some(bytes) = blocking(move || made(&room, &class, &name, wanted)).await? else {
        // Of a class that is just being measured again there is no picture at this moment, and that is no fault.
        return Ok(StatusCode::NO_CONTENT.into_response());
    };
    let mut response = ([(header::CONTENT_TYPE, kind)], bytes).into_response();
    // Pictures are shown on the page too, where this header doesn't matter.
    if let Ok(value) = disposition.parse() {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
    Ok(response)
}

/// `None`: nothing is measured that could be drawn.
fn made(room: &Room, class: &Class, name: &str, wanted: Wanted) -> Result<Option<Vec<u8>>, Refusal> {
    let mark = wanted.mark();
    if let Some(form) = name.strip_prefix("drift.") {
        let check = book::checked(class, wanted.launcher)?;
        let chart = control_chart(&check).ok_or_else(Refusal::not_found)?;
        return Ok(Some(if form == "png" { chart.png() } else { chart.svg().into_bytes() }));
    }
    let all = list::all_lines(room, class);
    let theme = if wanted.dark.is_some() { Theme::Dark } else { Theme::Light };
    let style = Style { theme, decimal_mark: mark, sheet: Sheet::Page, ..Style::default() };
    let drawn = || figure(&all, mark);
    Ok(match name {
        "class.csv" => Some(csv(&all, mark).into_bytes()),
        "class.html" => Some(html(&all, mark).into_bytes()),
        "class.pdf" => Some(pdf(&all, mark).map_err(Refusal::internal)?),
        "class.png" => drawn().map(|figure| figure.png(&style)),
        _ => drawn().map(|figure| figure.svg(&style).into_bytes()),
    })
}
