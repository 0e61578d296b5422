//! The confirm page's routes without a socket: requests as text, answered by the same router that the command serves.

use std::{cell::RefCell, fs, path::PathBuf, sync::OnceLock};

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{HeaderName, HeaderValue, Method, Request, StatusCode, Uri, header},
};
use podfall::{
    confirm::{Guard, Inputs, Session, router},
    loss::Assumptions,
    marks::{JOURNAL, Journal},
};
use tempfile::TempDir;
use tower::ServiceExt;

use crate::readers::{real_photo, really_counted};

const PORT: u16 = 7383;
/// Parts one request from the next.
const NEXT: &str = "\n%%\n";
/// Requests that one input may make: each is answered in a millisecond.
const MOST: usize = 24;
const HOST: &str = "127.0.0.1:7383";

/// As the page asks.
fn get(path: &str) -> String {
    format!("GET {path}\nHost: {HOST}\nCookie: {{cookie}}\n\n")
}

/// As the page writes.
fn post(path: &str, body: &str) -> String {
    format!(
        "POST {path}\nHost: {HOST}\nOrigin: http://{HOST}\nCookie: {{cookie}}\nSec-Fetch-Site: same-origin\nContent-Type: application/json\n\n{body}"
    )
}

/// Every route, and everything that can be said.
pub fn seeds() -> Vec<Vec<u8>> {
    let looks = [
        get("/"),
        get("/page.css"),
        get("/favicon.ico"),
        get("/nothing.js"),
        get("/api/open"),
        get("/api/season"),
        get("/api/photo/0"),
        get("/api/photo/2"),
        get("/api/photo/0/plot.jpg?v=1"),
        get("/api/photo/1/photo"),
        format!("GET /?key={{key}}\nHost: {HOST}\n\n"),
        get("/api/say").replacen("GET", "HEAD", 1),
        get("/api/season").replacen("GET", "OPTIONS", 1),
    ];
    let say = |photo: usize, say: &str| {
        post(
            "/api/say",
            &format!(r#"{{"seq":{{seq}},"counts_version":0,"photo":{photo},"say":{say}}}"#),
        )
    };
    let step = |way: &str| {
        post(
            &format!("/api/{way}"),
            r#"{"seq":{seq},"counts_version":0}"#,
        )
    };
    let says = [
        say(
            0,
            r#"{"do":"verdict","object":"o1","verdict":{"is":"split"}}"#,
        ),
        say(
            0,
            r#"{"do":"verdict","object":"o2","verdict":{"is":"pod","beans":3}}"#,
        ),
        say(
            0,
            r#"{"do":"add","mm":[150.0,3.0],"verdict":{"is":"bean"}}"#,
        ),
        say(
            1,
            r#"{"do":"add","px":[700.5,500.25],"verdict":{"is":"none"}}"#,
        ),
        say(0, r#"{"do":"take","object":"a3"}"#),
        say(0, r#"{"do":"take","object":"o3"}"#),
        say(1, r#"{"do":"unusable","why":"blurred"}"#),
        say(1, r#"{"do":"usable"}"#),
        say(2, r#"{"do":"hand","beans":11,"pods":null}"#),
        say(
            1,
            r#"{"do":"place","place":"behind","check":"1","setting":"as found"}"#,
        ),
        say(1, r#"{"do":"note","text":"by the gate"}"#),
        say(0, r#"{"do":"confirm"}"#),
        say(0, r#"{"do":"unconfirm"}"#),
        step("undo"),
        step("redo"),
        say(2, r#"{"do":"corners","corners_px":null}"#),
    ];
    // Counted anew with these corners: slow, so by itself.
    let corners = say(
        1,
        r#"{"do":"corners","corners_px":[[450.0,250.0],[1000.0,240.0],[1010.0,800.0],[440.0,810.0]]}"#,
    );
    let mut seeds = vec![looks.join(NEXT), says.join(NEXT), corners];
    seeds.extend(says.chunks(2).map(|pair| pair.join(NEXT)));
    seeds.into_iter().map(String::into_bytes).collect()
}

/// A season in a folder of its own.
struct Season {
    folder: TempDir,
    inputs: Inputs,
    runtime: tokio::runtime::Runtime,
}

impl Season {
    /// Without the photos' files nothing is decoded or counted anew: a request takes a millisecond.
    fn new(with_photos: bool) -> Self {
        // In memory where the system has such a folder: a mark goes to the disk before it is answered.
        let memory = PathBuf::from("/dev/shm");
        let folder = match memory.is_dir() {
            true => tempfile::tempdir_in(memory),
            false => tempfile::tempdir(),
        };
        let folder = folder.unwrap();
        let counts = folder.path().join("counts.json");
        fs::write(&counts, serde_json::to_vec(really_counted()).unwrap()).unwrap();
        let photos = (["a.jpg", "b.jpg", "c.jpg"].into_iter()).filter(|_| with_photos);
        let inputs = Inputs {
            counts,
            sheet: folder.path().join("sheet.csv"),
            photos: photos
                .map(|name| (name.to_owned(), real_photo(name).unwrap()))
                .collect(),
            assumptions: Assumptions::default(),
            model: None,
            bar_height_mm: None,
            title: "season".to_owned(),
            who: "tester".to_owned(),
            wished_pct: 20.0,
        };
        let runtime = tokio::runtime::Builder::new_current_thread().build();
        Self {
            folder,
            inputs,
            runtime: runtime.unwrap(),
        }
    }

    fn journal(&self) -> Vec<u8> {
        fs::read(self.folder.path().join(JOURNAL)).unwrap_or_default()
    }
}

/// This run's guard and what a browser would know of it.
fn guard() -> &'static (Guard, String, String) {
    static GUARD: OnceLock<(Guard, String, String)> = OnceLock::new();
    GUARD.get_or_init(|| {
        let guard = Guard::new(PORT).unwrap();
        let cookie = guard.cookie().split(';').next().unwrap().to_owned();
        let key = guard.address().split('=').next_back().unwrap().to_owned();
        (guard, cookie, key)
    })
}

/// Makes the requests, one after the other, of a season without marks.
pub fn requests(bytes: &[u8]) {
    thread_local! {
        static SEASON: RefCell<Option<Season>> = const { RefCell::new(None) };
    }
    SEASON.with_borrow_mut(|season| {
        all(season.get_or_insert_with(|| Season::new(false)), bytes);
    });
}

fn all(season: &Season, bytes: &[u8]) -> Vec<Option<StatusCode>> {
    let _ = fs::remove_file(season.folder.path().join(JOURNAL));
    let session = Session::open(season.inputs.clone()).unwrap();
    let now = || "2026-10-01T19:04:05+02:00".to_owned();
    let text = String::from_utf8_lossy(bytes);
    season.runtime.block_on(async {
        let router = router(guard().0.clone(), session, now);
        let mut codes = Vec::new();
        for request in text.split(NEXT).take(MOST) {
            codes.push(one(&router, season, request).await);
        }
        codes
    })
}

/// Unchanged, and with the photos there, each request of the seeds is answered as it should be.
#[test]
fn every_route_answers() {
    let season = Season::new(true);
    let seeds = seeds();
    let codes = |at: usize| -> Vec<u16> {
        let codes = all(&season, &seeds[at]).into_iter();
        codes.map(|code| code.unwrap().as_u16()).collect()
    };
    assert_eq!(
        codes(0),
        [
            200, 200, 204, 404, 200, 200, 200, 200, 200, 200, 303, 405, 403
        ]
    );
    assert_eq!(codes(1), [200; 16]);
    assert_eq!(codes(2), [200], "counted anew with other corners");
}

async fn one(router: &Router, season: &Season, text: &str) -> Option<StatusCode> {
    let before = season.journal();
    let seq = Journal::read(&before).unwrap().seq();
    let (_, cookie, key) = guard();
    let text = (text.replace("{cookie}", cookie))
        .replace("{key}", key)
        .replace("{seq}", &seq.to_string());
    let request = request(&text)?;
    let (known, head) = (
        is_known(&request),
        format!("{} {}", request.method(), request.uri()),
    );
    let answer = router.clone().oneshot(request).await.unwrap();
    let (status, headers) = (answer.status(), answer.headers().clone());
    let body = to_bytes(answer.into_body(), usize::MAX).await.unwrap();
    let body = String::from_utf8_lossy(&body);
    let after = season.journal();
    let journal = Journal::read(&after).unwrap();
    assert!(
        headers[header::CONTENT_SECURITY_POLICY]
            == *"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        "{head}"
    );
    assert!(!body.contains("a fault in podfall itself"), "{head}");
    // The key is told to nobody who does not hold it.
    assert!(
        text.contains(key.as_str()) || !body.contains(key.as_str()),
        "{head}"
    );
    assert!(
        status != StatusCode::INTERNAL_SERVER_ERROR,
        "{head}: {body}"
    );
    // Nothing is told, and nothing kept, of one who is not known.
    let refused = status == StatusCode::FORBIDDEN || status == StatusCode::URI_TOO_LONG;
    assert!(known || refused, "{head}: {status}");
    assert!(journal.torn.is_empty() && after.starts_with(&before));
    assert_eq!(journal.seq() - seq > 0, after.len() > before.len());
    assert!(journal.seq() == seq || (status == StatusCode::OK && journal.seq() == seq + 1));
    Some(status)
}

/// A request from its text: method and address, headers a line each, an empty line, the body. None where no server could be
/// sent such a one.
fn request(text: &str) -> Option<Request<Body>> {
    let (head, body) = text.split_once("\n\n").unwrap_or((text, ""));
    let mut lines = head.lines();
    let (method, address) = lines.next()?.split_once(' ')?;
    let mut request = Request::new(Body::from(body.to_owned()));
    *request.method_mut() = Method::from_bytes(method.as_bytes()).ok()?;
    *request.uri_mut() = address.parse::<Uri>().ok()?;
    for (name, value) in lines.filter_map(|line| line.split_once(':')) {
        let name = HeaderName::from_bytes(name.trim().as_bytes()).ok()?;
        let value = HeaderValue::from_str(value.trim()).ok()?;
        request.headers_mut().append(name, value);
    }
    Some(request)
}

/// Whether this is the browser that was given the key, or comes with it; said here once more, another way than the guard
/// says it.
fn is_known(request: &Request<Body>) -> bool {
    let (_, cookie, key) = guard();
    let all = |name: HeaderName| -> Vec<&str> {
        let values = request.headers().get_all(name).iter();
        values.filter_map(|value| value.to_str().ok()).collect()
    };
    let reads = [Method::GET, Method::HEAD].contains(request.method());
    let host = all(header::HOST);
    let right_host = host
        .first()
        .is_some_and(|host| [HOST, "localhost:7383"].contains(host));
    let right_origin = match all(header::ORIGIN).first() {
        Some(origin) => Some(*origin) == host.first().map(|h| format!("http://{h}")).as_deref(),
        None => reads,
    };
    let with_cookie = all(header::COOKIE)
        .iter()
        .any(|line| line.split(';').any(|pair| pair.trim() == cookie));
    let address = request.uri().path_and_query().map(|p| p.as_str());
    let with_key = reads && address == Some(&*format!("/?key={key}"));
    right_host && right_origin && (with_cookie || with_key)
}
