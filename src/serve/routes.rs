//! The student's routes.

use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::extract::{DefaultBodyLimit, Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Extension, Json, Router};
use http_body_util::BodyExt;
use serde::{Deserialize, Serialize};
use tokio::io::AsyncWriteExt;
use tower_http::timeout::{RequestBodyTimeoutLayer, TimeoutLayer};

use super::aim::{self, Asked, Launch};
use super::change::{self, Mend};
use super::error::Refusal;
use super::guard::{Entrance, Session};
use super::id::Id;
use super::limits::Limits;
use super::room::{Room, Upload, Who};
use super::setup::Setup;
use super::view;
use crate::report::numbers::DecimalMark;

type Shared = State<Arc<Room>>;

/// The student's routes, without the guards.
pub fn router(room: Arc<Room>) -> Router {
    /// Nothing but a clip is larger than this.
    const SMALL: usize = 64 << 10;
    let api = Router::new()
        .route("/enter", get(enter))
        .route("/", get(home))
        .route("/closed", get(closed))
        .route("/group/{group}", get(group_page))
        .route("/static/{name}", get(static_file))
        .route("/api/sheet", get(sheet))
        .route("/api/clips/{id}", get(clip).delete(remove))
        .route("/api/clips/{id}/setup", post(set_up))
        .route("/api/clips/{id}/mend", post(mend))
        .route("/api/clips/{id}/undo", post(undo))
        .route("/api/clips/{id}/redo", post(redo))
        .route("/api/clips/{id}/cancel", post(cancel))
        .route("/api/clips/{id}/again", post(again))
        .route("/api/clips/{id}/overlay", post(overlay))
        .route("/api/clips/{id}/aim", post(aim_for))
        .route("/api/clips/{id}/peek", post(peek))
        .route("/api/clips/{id}/peek/{number}", get(peeked))
        .route("/api/clips/{id}/still", get(still))
        .route("/api/clips/{id}/frame/{number}", get(frame))
        .route("/api/clips/{id}/picture/{name}", get(picture))
        .route("/api/clips/{id}/file/{name}", get(file))
        .fallback(|| async { Refusal::not_found() })
        .layer(DefaultBodyLimit::max(SMALL));
    // A clip takes its own time; how long and how slowly it may come is seen to while it is received.
    in_time(api, &room.limits).route("/api/clips", post(upload)).with_state(room)
}

/// Bounds the time that a request may take: bodies that don't come or drip hold nobody's place.
pub fn in_time<S: Clone + Send + Sync + 'static>(routes: Router<S>, limits: &Limits) -> Router<S> {
    routes
        .layer(RequestBodyTimeoutLayer::new(limits.body_silence))
        .layer(TimeoutLayer::with_status_code(StatusCode::REQUEST_TIMEOUT, limits.answer))
}

#[derive(Deserialize)]
struct Key {
    key: String,
}

async fn enter(
    State(room): Shared,
    Extension(entrance): Extension<Arc<Entrance>>,
    Query(Key { key }): Query<Key>,
) -> Result<Response, Refusal> {
    if !entrance.owner {
        return Err(Refusal::not_found());
    }
    let session = room.enter(&key)?;
    Ok(([(header::SET_COOKIE, entrance.cookie(&session))], Redirect::to("/")).into_response())
}

async fn home(State(room): Shared, session: Result<Session, Refusal>) -> Response {
    match session.map(|session| session.0) {
        Ok(Who::Group(_)) => page(include_str!("static/page.html")),
        Ok(Who::Teacher) => Redirect::to("/class").into_response(),
        Err(_) => Redirect::to(room.door()).into_response(),
    }
}

async fn closed() -> Response {
    page(include_str!("static/closed.html"))
}

async fn group_page(State(room): Shared, session: Session, Path(group): Path<String>) -> Result<Response, Refusal> {
    session.teacher()?;
    Id::read(&group).and_then(|id| room.group(&id)).ok_or_else(Refusal::not_found)?;
    Ok(page(include_str!("static/page.html")))
}

/// An HTML page of the program's own.
pub fn page(text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], text).into_response()
}

async fn static_file(Path(name): Path<String>) -> Result<Response, Refusal> {
    const SCRIPT: &str = "text/javascript; charset=utf-8";
    let (kind, text) = match name.as_str() {
        "page.css" => ("text/css; charset=utf-8", include_str!("static/page.css")),
        "page.js" => (SCRIPT, include_str!("static/page.js")),
        "common.js" => (SCRIPT, include_str!("static/common.js")),
        "aim.js" => (SCRIPT, include_str!("static/aim.js")),
        "marks.js" => (SCRIPT, include_str!("static/marks.js")),
        "icon.svg" => ("image/svg+xml", include_str!("static/icon.svg")),
        _ => return Err(Refusal::not_found()),
    };
    Ok(([(header::CONTENT_TYPE, kind)], text).into_response())
}

#[derive(Deserialize)]
struct WhichGroup {
    group: Option<String>,
}

impl WhichGroup {
    /// One's own group; for the teacher the one asked for.
    fn of(&self, session: &Session) -> Result<Id, Refusal> {
        match session.group() {
            Some(group) => Ok(group.clone()),
            None => self.group.as_deref().and_then(Id::read).ok_or_else(Refusal::not_found),
        }
    }
}

async fn sheet(State(room): Shared, session: Session, Query(which): Query<WhichGroup>) -> Result<Response, Refusal> {
    let group = room.group(&which.of(&session)?).ok_or_else(Refusal::not_found)?;
    Ok(Json(view::group(&room, &group)).into_response())
}

#[derive(Deserialize)]
struct Named {
    name: Option<String>,
    group: Option<String>,
}

#[derive(Serialize)]
struct Made {
    id: Id,
}

async fn upload(
    State(room): Shared,
    session: Session,
    Query(named): Query<Named>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Refusal> {
    let mut body = body;
    let taken = take_in(&room, &session, named, &headers, &mut body).await;
    let id = taken.inspect_err(|_| listen_on(&room.limits, body))?;
    Ok((StatusCode::CREATED, Json(Made { id })).into_response())
}

async fn take_in(
    room: &Arc<Room>,
    session: &Session,
    named: Named,
    headers: &HeaderMap,
    body: &mut Body,
) -> Result<Id, Refusal> {
    let group = WhichGroup { group: named.group }.of(session)?;
    let upload = room.begin_upload(&group)?;
    let stated = headers.get(header::CONTENT_LENGTH).and_then(|length| length.to_str().ok()?.parse::<u64>().ok());
    if stated.is_some_and(|length| length > upload.most_bytes) {
        return Err(too_large(upload.most_bytes));
    }
    let bytes = receive(room, &upload, body).await?;
    upload.finish(&named.name.unwrap_or_default(), bytes)
}

/// Goes on reading for a while what nobody wants any more: a connection that is closed with something unread is reset, and the sender then
/// never reads why it was refused.
fn listen_on(limits: &Limits, mut body: Body) {
    let (most, within) = (limits.refused_bytes, limits.refused);
    tokio::spawn(tokio::time::timeout(within, async move {
        let mut read = 0;
        while let Some(Ok(frame)) = body.frame().await {
            read += frame.into_data().map_or(0, |data| data.len() as u64);
            if read > most {
                break;
            }
        }
    }));
}

fn too_large(most_bytes: u64) -> Refusal {
    Refusal::new(
        StatusCode::PAYLOAD_TOO_LARGE,
        format!("This file is larger than the {} MB there is room for.", most_bytes / 1_000_000),
        "Cut the clip on the phone to the few seconds around the shot.",
    )
}

/// Writes a body to the disk as it comes, within the limits of size, silence and slowness.
async fn receive(room: &Room, upload: &Upload, body: &mut Body) -> Result<u64, Refusal> {
    upload.prepare().map_err(Refusal::internal)?;
    let mut file = tokio::fs::File::create(upload.folder().join("clip")).await.map_err(Refusal::internal)?;
    let (began, silence) = (Instant::now(), room.limits.upload_silence);
    let slow = || {
        Refusal::new(
            StatusCode::REQUEST_TIMEOUT,
            "The clip came too slowly and was given up.",
            "Go nearer to the Wi-Fi and send it again.",
        )
    };
    let mut bytes = 0_u64;
    loop {
        let frame = match tokio::time::timeout(silence, body.frame()).await {
            Err(_) => return Err(slow()),
            Ok(None) => break,
            Ok(Some(Err(_))) => {
                return Err(Refusal::new(
                    StatusCode::BAD_REQUEST,
                    "The clip stopped coming in the middle.",
                    "Send it again.",
                ));
            }
            Ok(Some(Ok(frame))) => frame,
        };
        let Ok(data) = frame.into_data() else { continue };
        bytes += data.len() as u64;
        if bytes > upload.most_bytes {
            return Err(too_large(upload.most_bytes));
        }
        file.write_all(&data).await.map_err(Refusal::internal)?;
        let taken = began.elapsed();
        if taken > silence && bytes / taken.as_secs().max(1) < room.limits.upload_bytes_per_s {
            return Err(slow());
        }
    }
    file.flush().await.map_err(Refusal::internal)?;
    if bytes == 0 {
        return Err(Refusal::wrong("This file is empty.", "Choose the clip again."));
    }
    Ok(bytes)
}

#[derive(Deserialize)]
struct Wanted {
    after: Option<u64>,
    mark: Option<String>,
    dark: Option<String>,
}

impl Wanted {
    fn mark(&self) -> DecimalMark {
        if self.mark.as_deref() == Some("comma") { DecimalMark::Comma } else { DecimalMark::Point }
    }
}

async fn clip(
    State(room): Shared,
    session: Session,
    Path(id): Path<String>,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Refusal> {
    /// So long an answer may be waited for; phones and proxies give up after about half a minute.
    const LONGEST: Duration = Duration::from_secs(20);
    let (group, id) = session.owner_of(&room, &id)?;
    let mark = wanted.mark();
    let mut changes = room.changes();
    let until = tokio::time::Instant::now() + LONGEST;
    loop {
        changes.borrow_and_update();
        let recording = room.recording(&group, &id).ok_or_else(Refusal::not_found)?;
        let moment = view::moment(&room, &group, &recording);
        let over = wanted.after.is_none_or(|after| moment.count != after);
        if over || tokio::time::Instant::now() >= until {
            let turn = room.turn(&group).await;
            let view = turn.take(move || Ok(view::recording(&room, &group, &recording, moment, mark))).await?;
            return Ok(Json(view).into_response());
        }
        let _ = tokio::time::timeout_at(until, changes.changed()).await;
        // Progress is told a few times a second and not more often.
        tokio::time::sleep(Duration::from_millis(80)).await;
    }
}

/// Runs what computes where it holds up nobody else.
pub async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    tokio::task::spawn_blocking(work).await.map_err(Refusal::internal)?
}

#[derive(Deserialize)]
struct NewSetup {
    step: u64,
    setup: Setup,
    #[serde(default)]
    what: String,
}

async fn set_up(
    state: Shared,
    session: Session,
    id: Path<String>,
    Json(new): Json<NewSetup>,
) -> Result<StatusCode, Refusal> {
    act(state, session, id, move |room, group, id| change::set_up(room, group, id, new.step, new.setup, &new.what))
        .await
}

async fn mend(
    state: Shared,
    session: Session,
    id: Path<String>,
    Json(wanted): Json<Mend>,
) -> Result<StatusCode, Refusal> {
    act(state, session, id, move |room, group, id| change::mend(room, group, id, &wanted)).await
}

#[derive(Deserialize)]
struct AtStep {
    step: u64,
}

async fn undo(
    state: Shared,
    session: Session,
    id: Path<String>,
    Json(at): Json<AtStep>,
) -> Result<StatusCode, Refusal> {
    act(state, session, id, move |room, group, id| change::walk(room, group, id, at.step, true)).await
}

async fn redo(
    state: Shared,
    session: Session,
    id: Path<String>,
    Json(at): Json<AtStep>,
) -> Result<StatusCode, Refusal> {
    act(state, session, id, move |room, group, id| change::walk(room, group, id, at.step, false)).await
}

async fn cancel(state: Shared, session: Session, id: Path<String>) -> Result<StatusCode, Refusal> {
    act(state, session, id, change::cancel).await
}

async fn again(state: Shared, session: Session, id: Path<String>) -> Result<StatusCode, Refusal> {
    act(state, session, id, change::again).await
}

async fn overlay(state: Shared, session: Session, id: Path<String>) -> Result<StatusCode, Refusal> {
    act(state, session, id, change::overlay).await
}

#[derive(Deserialize)]
struct Aiming {
    flight: usize,
    #[serde(flatten)]
    asked: Asked,
}

/// Where the target goes for a flight like this one.
async fn aim_for(
    State(room): Shared,
    session: Session,
    Path(id): Path<String>,
    Query(wanted): Query<Wanted>,
    Json(aiming): Json<Aiming>,
) -> Result<Response, Refusal> {
    let (group, id) = session.owner_of(&room, &id)?;
    let turn = room.turn(&group).await;
    let told = turn
        .take(move || {
            let recording = room.recording(&group, &id).ok_or_else(Refusal::not_found)?;
            let rig = recording.step().setup.settings(&room.common())?.rig;
            let measured = room.measured(&group, &recording)?.ok_or_else(Refusal::not_found)?;
            let mut flights = measured.shown.flights.iter();
            let flight = flights.find(|flight| flight.number == aiming.flight).ok_or_else(Refusal::not_found)?;
            aim::answer(Some(Launch::of_flight(flight)), &aiming.asked, &rig, wanted.mark())
        })
        .await?;
    Ok(Json(told).into_response())
}

#[derive(Deserialize)]
struct Around {
    around: Option<usize>,
}

async fn peek(
    state: Shared,
    session: Session,
    id: Path<String>,
    Json(Around { around }): Json<Around>,
) -> Result<StatusCode, Refusal> {
    act(state, session, id, move |room, group, id| change::peek(room, group, id, around)).await
}

async fn peeked(
    State(room): Shared,
    session: Session,
    Path((id, number)): Path<(String, usize)>,
) -> Result<Response, Refusal> {
    let (group, id) = session.owner_of(&room, &id)?;
    from_disk(room.recording_folder(&group, &id).join(format!("peek-{number}.jpg")), "image/jpeg").await
}

async fn remove(state: Shared, session: Session, id: Path<String>) -> Result<StatusCode, Refusal> {
    act(state, session, id, Room::remove).await
}

/// Does something to a recording. It writes to the disk, so that it must hold up nobody else.
async fn act(
    State(room): Shared,
    session: Session,
    Path(id): Path<String>,
    act: impl FnOnce(&Room, &Id, &Id) -> Result<(), Refusal> + Send + 'static,
) -> Result<StatusCode, Refusal> {
    let (group, id) = session.owner_of(&room, &id)?;
    let turn = room.turn(&group).await;
    turn.take(move || act(&room, &group, &id)).await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn from_disk(path: std::path::PathBuf, kind: &'static str) -> Result<Response, Refusal> {
    let bytes = tokio::fs::read(path).await.map_err(|_| Refusal::not_found())?;
    Ok(([(header::CONTENT_TYPE, kind)], bytes).into_response())
}

async fn still(State(room): Shared, session: Session, Path(id): Path<String>) -> Result<Response, Refusal> {
    let (group, id) = session.owner_of(&room, &id)?;
    from_disk(room.recording_folder(&group, &id).join("still.jpg"), "image/jpeg").await
}

async fn frame(
    State(room): Shared,
    session: Session,
    Path((id, number)): Path<(String, usize)>,
) -> Result<Response, Refusal> {
    let (group, id) = session.owner_of(&room, &id)?;
    let recording = room.recording(&group, &id).ok_or_else(Refusal::not_found)?;
    let settings = recording.step().setup.settings(&room.common())?;
    let run = recording.run(&settings).ok_or_else(Refusal::not_found)?.number;
    from_disk(room.run_folder(&group, &id, run).join(format!("frame-{number}.jpg")), "image/jpeg").await
}

/// Graphs and strobe pictures for the page.
async fn picture(
    state: Shared,
    session: Session,
    path: Path<(String, String)>,
    wanted: Query<Wanted>,
) -> Result<Response, Refusal> {
    made(state, session, path, wanted, false).await
}

/// Files to take along.
async fn file(
    state: Shared,
    session: Session,
    path: Path<(String, String)>,
    wanted: Query<Wanted>,
) -> Result<Response, Refusal> {
    made(state, session, path, wanted, true).await
}

async fn made(
    State(room): Shared,
    session: Session,
    Path((id, name)): Path<(String, String)>,
    Query(wanted): Query<Wanted>,
    take_along: bool,
) -> Result<Response, Refusal> {
    let (group, id) = session.owner_of(&room, &id)?;
    let kind = kind_of(&name).ok_or_else(Refusal::not_found)?;
    let recording = room.recording(&group, &id).ok_or_else(Refusal::not_found)?;
    let disposition = format!("attachment; filename=\"{name}\"");
    let bytes = if name == "overlay.mp4" {
        let ready = recording.overlay.as_ref().is_some_and(|overlay| overlay.state == super::recording::RunState::Done);
        let path = room.recording_folder(&group, &id).join("overlay.mp4");
        tokio::fs::read(path).await.ok().filter(|_| ready).ok_or_else(Refusal::not_found)?
    } else {
        let turn = room.turn(&group).await;
        turn.take(move || {
            let measured = room.measured(&group, &recording)?.ok_or_else(Refusal::not_found)?;
            measured.file(&name, wanted.mark(), wanted.dark.is_some())?.ok_or_else(Refusal::not_found)
        })
        .await?
    };
    let mut response = ([(header::CONTENT_TYPE, kind)], bytes).into_response();
    if take_along && let Ok(value) = disposition.parse() {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
    Ok(response)
}

/// The media type of a file by its ending; `None` for names that no file of ours has.
fn kind_of(name: &str) -> Option<&'static str> {
    let plain = name.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.'));
    Some(match name.rsplit_once('.').filter(|_| plain)?.1 {
        "pdf" => "application/pdf",
        "html" => "text/html; charset=utf-8",
        "csv" => "text/csv; charset=utf-8",
        "xlsx" => "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        "json" => "application/json",
        "png" => "image/png",
        "svg" | "graph" => "image/svg+xml",
        "mp4" => "video/mp4",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::serve::room::{Mode, RoomOptions};
    use crate::serve::{Entrance, guarded};
    use hyper::service::Service;
    use hyper_util::service::TowerToHyperService;

    /// A room with one group and a clip that was never looked at; no worker takes anything from its queue.
    fn room(folder: &std::path::Path) -> (Arc<Room>, String, String) {
        let options = RoomOptions {
            mode: Mode::Alone,
            folder: folder.to_owned(),
            limits: Limits::default(),
            program: "nowhere".into(),
        };
        let room = Arc::new(Room::open(options).unwrap());
        let session = room.enter(&room.key()).unwrap();
        let Some(Who::Group(group)) = room.who(&session) else { panic!("no group") };
        let upload = room.begin_upload(&group).unwrap();
        upload.prepare().unwrap();
        std::fs::write(upload.folder().join("clip"), "x").unwrap();
        let id = upload.finish("shot.mp4", 1).unwrap();
        (room, session, id.as_str().to_owned())
    }

    /// A first line with method and path, where ID stands for the clip's, and a body.
    #[test]
    fn fuzz_requests() {
        let folder = tempfile::tempdir().unwrap();
        let (room, session, id) = room(folder.path());
        let entrance = Entrance::own(7321);
        let cookie = format!("{}={session}", entrance.cookie_name());
        let app = TowerToHyperService::new(guarded(entrance, router(room)));
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        crate::fuzz::fuzz("requests", Vec::new(), |bytes| {
            let (line, body) = bytes.split_at(bytes.iter().position(|&byte| byte == b'\n').unwrap_or(bytes.len()));
            let line = String::from_utf8_lossy(line).replace("ID", &id);
            let (method, path) = line.split_once(' ').unwrap_or(("GET", &line));
            // Long polls would wait for a change.
            let request = axum::http::Request::builder()
                .method(method)
                .uri(path.replace("after", "later"))
                .header("host", "127.0.0.1:7321")
                .header("origin", "http://127.0.0.1:7321")
                .header("content-type", "application/json")
                .header("cookie", &cookie)
                .body(Body::from(body.get(1..).unwrap_or_default().to_vec()));
            // What is no request doesn't come through HTTP either.
            let Ok(request) = request else { return };
            let answer = runtime.block_on(app.call(request)).unwrap();
            assert_ne!(answer.status(), StatusCode::INTERNAL_SERVER_ERROR, "{line}");
        });
    }
}
