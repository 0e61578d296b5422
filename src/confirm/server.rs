//! Listens on this machine alone and answers the page.

use std::{
    net::{Ipv4Addr, TcpListener},
    sync::{Arc, Mutex, MutexGuard},
};

use axum::{
    Router,
    body::{Body, Bytes},
    extract::{DefaultBodyLimit, Path, Request, State},
    http::{HeaderMap, HeaderValue, Method, StatusCode, header},
    middleware::{self, Next},
    response::{IntoResponse, Response},
    routing::{get, post},
};
use serde::{Deserialize, Serialize};

use super::{
    ConfirmError, Guard, Refusal, Say, SayError, Seen, Session,
    guard::Asked,
    model::{ModelWanted, Models},
    pictures::{self, Picture, Shelf, Wanted},
};
use crate::{
    counts::{PhotoCount, Status},
    frame::FrameSettings,
    geometry::Point,
    pipeline::{self, Settings},
};

/// Largest body that is read, bytes: a note of the longest kind is a tenth of it.
const MOST_BODY: usize = 64 * 1024;

/// Ports that are tried after the one wished, before any that is free.
const NEXT_PORTS: u16 = 20;

/// What the page may load: from this server alone, and nothing inline.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// A server that listens.
#[derive(Debug)]
pub struct Served {
    listener: TcpListener,
    guard: Guard,
}

impl Served {
    /// The address to open.
    pub fn address(&self) -> String {
        self.guard.address()
    }
}

/// Listens on this port of the loopback address, or on another where it is taken.
///
/// # Errors
/// [`ConfirmError::Port`] when none is free.
pub fn bind(port: u16) -> Result<Served, ConfirmError> {
    let ports = (port..port.saturating_add(NEXT_PORTS)).chain([0]);
    let mut last = None;
    for port in ports {
        match TcpListener::bind((Ipv4Addr::LOCALHOST, port)) {
            Ok(listener) => {
                let port = listener.local_addr().map_err(ConfirmError::Port)?.port();
                let guard = Guard::new(port)
                    .map_err(|e| ConfirmError::Port(std::io::Error::other(e.to_string())))?;
                return Ok(Served { listener, guard });
            }
            Err(error) => last = Some(error),
        }
    }
    Err(ConfirmError::Port(last.unwrap_or_else(|| {
        std::io::Error::other("no port was tried")
    })))
}

struct Shared {
    guard: Guard,
    session: Mutex<Session>,
    shelf: Shelf,
    /// Held by the one thread that draws ahead: memory for one photo more, not for as many as are asked for.
    ahead: Mutex<()>,
    models: Models,
    now: fn() -> String,
}

impl Shared {
    fn new(guard: Guard, session: Session, now: fn() -> String) -> Arc<Self> {
        Arc::new(Self {
            guard,
            session: Mutex::new(session),
            shelf: Shelf::default(),
            ahead: Mutex::new(()),
            models: Models::default(),
            now,
        })
    }

    /// A panic elsewhere must not shut the page: what is kept is in the journal.
    fn session(&self) -> MutexGuard<'_, Session> {
        self.session.lock().unwrap_or_else(|e| e.into_inner())
    }
}

/// Serves until the process ends. `now`: the time, RFC 3339 with the offset from UTC; `begun` is called once the first
/// photo is being drawn, which a browser that is opened then need not wait for.
///
/// # Errors
/// [`ConfirmError::Port`] when listening fails.
pub fn serve(
    served: Served,
    session: Session,
    now: fn() -> String,
    begun: impl FnOnce(),
) -> Result<(), ConfirmError> {
    let shared = Shared::new(served.guard, session, now);
    let first = shared.session().follows.queue.first().map_or(0, |q| q.at);
    draw_ahead(&shared, first);
    begun();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(ConfirmError::Port)?;
    served
        .listener
        .set_nonblocking(true)
        .map_err(ConfirmError::Port)?;
    runtime.block_on(async {
        let listener =
            tokio::net::TcpListener::from_std(served.listener).map_err(ConfirmError::Port)?;
        axum::serve(listener, routes(shared))
            .await
            .map_err(ConfirmError::Port)
    })
}

/// All that [`serve`] answers, guarded as there, without a socket: to be asked inside a tokio runtime.
pub fn router(guard: Guard, session: Session, now: fn() -> String) -> Router {
    routes(Shared::new(guard, session, now))
}

fn routes(shared: Arc<Shared>) -> Router {
    Router::new()
        .route("/", get(page))
        .route("/{file}", get(file))
        .route("/api/open", get(opening))
        .route("/api/season", get(season))
        .route("/api/photo/{n}", get(photo))
        .route("/api/photo/{n}/plot.jpg", get(plot_picture))
        .route("/api/photo/{n}/photo", get(photo_picture))
        .route("/api/say", post(say))
        .route("/api/undo", post(undo))
        .route("/api/redo", post(redo))
        .layer(DefaultBodyLimit::max(MOST_BODY))
        .layer(middleware::from_fn_with_state(shared.clone(), guarded))
        .with_state(shared)
}

/// Every request goes through here: who asks, and what every answer carries.
async fn guarded(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let mut answer = match checked(&shared.guard, &request) {
        Ok(Entry::Known) => next.run(request).await,
        Ok(Entry::WithKey) => with_cookie(&shared.guard),
        Err(refusal) => refused(refusal),
    };
    let headers = answer.headers_mut();
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.insert(
        "cross-origin-resource-policy",
        HeaderValue::from_static("same-origin"),
    );
    headers
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    answer
}

enum Entry {
    /// With this run's cookie.
    Known,
    /// The address that was printed: a cookie is given for it.
    WithKey,
}

fn checked(guard: &Guard, request: &Request) -> Result<Entry, Refusal> {
    let headers = request.headers();
    let text = |name: header::HeaderName| headers.get(name).and_then(|v| v.to_str().ok());
    let address = request.uri().path_and_query().map_or("", |p| p.as_str());
    let asked = Asked {
        writes: !matches!(*request.method(), Method::GET | Method::HEAD),
        address,
        host: text(header::HOST),
        origin: headers
            .get(header::ORIGIN)
            .map(|v| v.to_str().unwrap_or("null")),
        site: headers.get("sec-fetch-site").and_then(|v| v.to_str().ok()),
        cookie: text(header::COOKIE),
    };
    let key = address.strip_prefix("/?key=").filter(|_| !asked.writes);
    if let Some(key) = key.filter(|key| guard.is_key(key)) {
        // The first opening comes from a terminal or another program: no origin is named, or another site's link.
        guard.check_where(&Asked {
            site: None,
            ..asked
        })?;
        let _ = key;
        return Ok(Entry::WithKey);
    }
    guard.check(&asked).map(|()| Entry::Known)
}

fn with_cookie(guard: &Guard) -> Response {
    let mut answer = StatusCode::SEE_OTHER.into_response();
    let headers = answer.headers_mut();
    headers.insert(header::LOCATION, HeaderValue::from_static("/"));
    if let Ok(cookie) = HeaderValue::from_str(&guard.cookie()) {
        headers.insert(header::SET_COOKIE, cookie);
    }
    answer
}

fn refused(refusal: Refusal) -> Response {
    let status = match refusal {
        Refusal::Address => StatusCode::URI_TOO_LONG,
        _ => StatusCode::FORBIDDEN,
    };
    (status, format!("{refusal}\n")).into_response()
}

/// The page; its head names the plot that is looked at first, which a browser then fetches beside the scripts.
async fn page(State(shared): State<Arc<Shared>>) -> Response {
    let mut answer = with_type("text/html; charset=utf-8", include_str!("page/index.html"));
    let first = {
        let session = shared.session();
        (session.follows.queue.first()).and_then(|q| session.plot_url(q.at))
    };
    let link = first
        .and_then(|url| HeaderValue::from_str(&format!("<{url}>; rel=preload; as=image")).ok());
    if let Some(link) = link {
        answer.headers_mut().insert(header::LINK, link);
    }
    answer
}

/// The page's own files, by name: nothing is looked up on the disk.
async fn file(Path(name): Path<String>) -> Response {
    const CSS: &str = "text/css; charset=utf-8";
    const JS: &str = "text/javascript; charset=utf-8";
    match name.as_str() {
        // Browsers ask for a picture of the page by themselves.
        "favicon.ico" => StatusCode::NO_CONTENT.into_response(),
        "page.css" => with_type(CSS, include_str!("page/page.css")),
        "main.js" => with_type(JS, include_str!("page/main.js")),
        "keys.js" => with_type(JS, include_str!("page/keys.js")),
        "draw.js" => with_type(JS, include_str!("page/draw.js")),
        "view.js" => with_type(JS, include_str!("page/view.js")),
        "talk.js" => with_type(JS, include_str!("page/talk.js")),
        "show.js" => with_type(JS, include_str!("page/show.js")),
        _ => StatusCode::NOT_FOUND.into_response(),
    }
}

fn with_type(kind: &'static str, body: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], body).into_response()
}

/// Runs what waits for the disk or reckons for long on a thread of its own.
async fn apart<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Box<Response>> {
    tokio::task::spawn_blocking(work).await.map_err(|_| {
        let text = "a fault in podfall itself stopped this; what was said before is kept; load the page again\n";
        Box::new((StatusCode::INTERNAL_SERVER_ERROR, text).into_response())
    })
}

fn json<T: Serialize>(status: StatusCode, value: &T) -> Response {
    let body = serde_json::to_vec(value).expect("what the page is told is plain data");
    let kind = [(header::CONTENT_TYPE, "application/json")];
    (status, kind, body).into_response()
}

#[derive(Serialize)]
struct Both<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    stale: Option<bool>,
    season: super::view::SeasonView<'a>,
    photo: Option<super::view::PhotoView<'a>>,
}

fn both(
    session: &Session,
    at: usize,
    status: StatusCode,
    error: Option<&ConfirmError>,
) -> Response {
    let told = Both {
        error: error.map(|e| pipeline::with_causes(e)),
        stale: error.map(ConfirmError::is_stale),
        season: session.season_view(),
        photo: session.photo_view(at),
    };
    json(status, &told)
}

/// The season, and the photo that is looked at first.
async fn opening(State(shared): State<Arc<Shared>>) -> Response {
    let work = move || {
        let mut session = shared.session();
        let refreshed = session.refresh();
        let first = session.follows.queue.first().map_or(0, |q| q.at);
        match refreshed {
            Ok(_) => both(&session, first, StatusCode::OK, None),
            Err(error) => {
                let status = StatusCode::INTERNAL_SERVER_ERROR;
                both(&session, first, status, Some(&error))
            }
        }
    };
    apart(work).await.unwrap_or_else(|e| *e)
}

async fn season(State(shared): State<Arc<Shared>>) -> Response {
    let work = move || {
        let mut session = shared.session();
        if let Err(error) = session.refresh() {
            return both(&session, 0, StatusCode::INTERNAL_SERVER_ERROR, Some(&error));
        }
        json(StatusCode::OK, &session.season_view())
    };
    apart(work).await.unwrap_or_else(|e| *e)
}

async fn photo(State(shared): State<Arc<Shared>>, Path(n): Path<usize>) -> Response {
    let work = move || {
        draw_ahead(&shared, n);
        let session = shared.session();
        match session.photo_view(n) {
            Some(view) => json(StatusCode::OK, &view),
            None => StatusCode::NOT_FOUND.into_response(),
        }
    };
    apart(work).await.unwrap_or_else(|e| *e)
}

async fn plot_picture(State(shared): State<Arc<Shared>>, Path(n): Path<usize>) -> Response {
    let work = move || match plot_of(&shared, n) {
        Ok(picture) => picture_answer(picture.0, picture.1.clone()),
        Err(error) => no_picture(&error),
    };
    apart(work).await.unwrap_or_else(|e| *e)
}

fn plot_of(shared: &Shared, n: usize) -> Result<Arc<Picture>, ConfirmError> {
    let (wanted, key) = {
        let session = shared.session();
        (session.wanted(n)?, session.picture_key(n))
    };
    shared.shelf.get(&key, || pictures::plot(&wanted))
}

/// Why there is none, in words that the page shows.
fn no_picture(error: &ConfirmError) -> Response {
    (StatusCode::NOT_FOUND, format!("{error}\n")).into_response()
}

async fn photo_picture(State(shared): State<Arc<Shared>>, Path(n): Path<usize>) -> Response {
    let work = move || {
        let wanted = shared.session().wanted(n);
        match wanted.and_then(|wanted| pictures::photo(&wanted)) {
            Ok((kind, bytes)) => picture_answer(kind, bytes),
            Err(error) => no_picture(&error),
        }
    };
    apart(work).await.unwrap_or_else(|e| *e)
}

fn picture_answer(kind: &'static str, bytes: Vec<u8>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, kind),
        (header::CACHE_CONTROL, "private, max-age=3600, immutable"),
    ];
    (headers, Body::from(bytes)).into_response()
}

/// Draws the plots that will be looked at next, on a thread of its own.
fn draw_ahead(shared: &Arc<Shared>, n: usize) {
    const AHEAD: usize = 3;
    let next: Vec<usize> = {
        let session = shared.session();
        let queue = &session.follows.queue;
        let at = queue.iter().position(|q| q.at == n).unwrap_or(0);
        let ahead = queue.iter().skip(at).filter(|q| !q.done);
        ahead.take(AHEAD).map(|q| q.at).collect()
    };
    let shared = shared.clone();
    std::thread::spawn(move || {
        let Ok(_one_at_a_time) = shared.ahead.try_lock() else {
            return;
        };
        for n in next {
            // A picture that cannot be drawn is told when it is asked for.
            let _ = plot_of(&shared, n);
        }
    });
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Told {
    seq: u64,
    counts_version: u64,
    photo: usize,
    say: Say,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Step {
    seq: u64,
    counts_version: u64,
}

/// A write must say that it is JSON: a form of another page cannot.
fn body<T: for<'a> Deserialize<'a>>(headers: &HeaderMap, body: &Bytes) -> Result<T, Box<Response>> {
    let kind = headers
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok());
    if !kind.is_some_and(|kind| kind.starts_with("application/json")) {
        return Err(Box::new(StatusCode::UNSUPPORTED_MEDIA_TYPE.into_response()));
    }
    serde_json::from_slice(body).map_err(|error| {
        let text = format!("not understood: {error}\n");
        Box::new((StatusCode::BAD_REQUEST, text).into_response())
    })
}

async fn say(State(shared): State<Arc<Shared>>, headers: HeaderMap, bytes: Bytes) -> Response {
    let told: Told = match body(&headers, &bytes) {
        Ok(told) => told,
        Err(answer) => return *answer,
    };
    let work = move || {
        // Each line lets the session go again before the next one takes it.
        let refreshed = shared.session().refresh();
        let seen = Seen {
            seq: told.seq,
            counts_version: told.counts_version,
        };
        let counted = refreshed.and_then(|_| with_recount(&shared, seen, &told));
        let now = (shared.now)();
        let (kept, answer) = {
            // Said and answered of the same counts.
            let mut session = shared.session();
            let said = counted.and_then(|()| session.say(seen, told.photo, &told.say, &now));
            let result = said.map(|()| told.photo);
            (result.is_ok(), answered(&session, result, told.photo))
        };
        if kept && matches!(told.say, Say::Confirm | Say::Unusable { .. }) {
            draw_ahead(&shared, told.photo);
        }
        answer
    };
    apart(work).await.unwrap_or_else(|e| *e)
}

async fn undo(State(shared): State<Arc<Shared>>, headers: HeaderMap, bytes: Bytes) -> Response {
    step(shared, &headers, &bytes, Session::undo).await
}

async fn redo(State(shared): State<Arc<Shared>>, headers: HeaderMap, bytes: Bytes) -> Response {
    step(shared, &headers, &bytes, Session::redo).await
}

async fn step(
    shared: Arc<Shared>,
    headers: &HeaderMap,
    bytes: &Bytes,
    go: fn(&mut Session, Seen, &str) -> Result<usize, ConfirmError>,
) -> Response {
    let told: Step = match body(headers, bytes) {
        Ok(told) => told,
        Err(answer) => return *answer,
    };
    let work = move || {
        let now = (shared.now)();
        let seen = Seen {
            seq: told.seq,
            counts_version: told.counts_version,
        };
        let mut session = shared.session();
        let result = go(&mut session, seen, &now);
        answered(&session, result, 0)
    };
    apart(work).await.unwrap_or_else(|e| *e)
}

fn answered(session: &Session, result: Result<usize, ConfirmError>, at: usize) -> Response {
    match result {
        Ok(at) => both(session, at, StatusCode::OK, None),
        Err(error) => {
            let status = match error {
                ConfirmError::Stale | ConfirmError::CountedAnew => StatusCode::CONFLICT,
                ConfirmError::Say(_) | ConfirmError::Model { .. } => {
                    StatusCode::UNPROCESSABLE_ENTITY
                }
                ConfirmError::Photo { .. } => StatusCode::NOT_FOUND,
                _ => StatusCode::INTERNAL_SERVER_ERROR,
            };
            both(session, at, status, Some(&error))
        }
    }
}

/// Where corners are set by hand: counts the photo with them, while others may go on looking.
fn with_recount(shared: &Shared, seen: Seen, told: &Told) -> Result<(), ConfirmError> {
    let (corners, wanted, model) = {
        let session = shared.session();
        session.fresh(seen)?;
        let Some(corners) = session.lacks_recount(told.photo, &told.say) else {
            return Ok(());
        };
        (corners, session.wanted(told.photo)?, session.model_wanted())
    };
    let count = recount(shared, (&wanted, &model), corners)?;
    let mut session = shared.session();
    // Counted with the model of the counts as they were.
    session.fresh(seen)?;
    session.take_recount(corners, count)
}

fn recount(
    shared: &Shared,
    (wanted, model): (&Wanted, &ModelWanted),
    corners: [Point; 4],
) -> Result<PhotoCount, ConfirmError> {
    let bytes = pictures::bytes(wanted)?;
    let mut frame = FrameSettings::new(wanted.spec);
    frame.corners_px = Some(corners);
    frame.bar_height_mm = wanted.bar_height_mm;
    let model = shared.models.get(model)?;
    let counted = pipeline::count_photo(&bytes, &wanted.name, &Settings::new(frame), &model);
    match counted.count.status {
        Status::Refused | Status::Failed => {
            let why = counted.count.problem.unwrap_or_default();
            Err(SayError::Corners { why }.into())
        }
        _ => Ok(counted.count),
    }
}
