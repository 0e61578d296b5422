//! The confirm page's server as a test speaks to it: the real binary, plain HTTP by hand.

use std::{
    fs,
    io::{BufRead, BufReader, Read, Write},
    net::TcpStream,
    path::Path,
    process::{Child, Command, Stdio},
    sync::OnceLock,
};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::{field::Field, pictures::fixture_bytes};

/// Photos of the season that the tests confirm, and the fixtures that they are.
pub const PHOTOS: [(&str, &str); 4] = [
    ("a.jpg", "ten-beans-in-the-open"),
    ("b.jpg", "half-in-shadow"),
    ("c.jpg", "forty-beans-some-touching"),
    ("d.jpg", "no-frame"),
];

/// A season whose photos are counted; counted once, then copied.
pub fn counted() -> Field {
    static COUNTED: OnceLock<TempDir> = OnceLock::new();
    let done = COUNTED.get_or_init(|| {
        let field = Field::new();
        field.put(
            "podfall.toml",
            b"frame = \"12x12in\"\nbar_height = \"13mm\"\n",
        );
        for (name, case) in PHOTOS {
            field.put(
                &format!("photos/{name}"),
                &fixture_bytes(&format!("{case}/photo.jpg")),
            );
        }
        field.run(&["count", ".", "--no-pictures"]);
        field.folder
    });
    let field = Field::new();
    fs::create_dir(field.path("out")).unwrap();
    for name in ["podfall.toml", "out/counts.json"] {
        fs::copy(done.path().join(name), field.path(name)).unwrap();
    }
    for (name, _) in PHOTOS {
        let name = format!("photos/{name}");
        fs::copy(done.path().join(&name), field.path(&name)).unwrap();
    }
    field
}

/// A season with a file among its photos that is not read, counted.
pub fn with_what_cannot_be_read() -> Field {
    let field = Field::new();
    field.put("podfall.toml", b"frame = \"12x12in\"\n");
    field.put("photos/late.avif", b"\0\0\0\x14ftypavif\0\0\0\0avif");
    field.put("photos/no-frame.jpg", &fixture_bytes("no-frame/photo.jpg"));
    field.run(&["count", ".", "--no-pictures"]);
    field
}

/// A server that runs; killed without a word when dropped.
pub struct Page {
    child: Child,
    /// Its port.
    pub port: u16,
    /// This run's key.
    pub key: String,
    /// The cookie that a browser was given for the key.
    pub cookie: String,
}

impl Drop for Page {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// An answer.
#[derive(Debug, Clone)]
pub struct Answer {
    /// Status code.
    pub status: u16,
    /// Header lines, lower case names.
    pub headers: String,
    /// The body.
    pub body: Vec<u8>,
}

impl Answer {
    /// The body as JSON.
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&self.body)))
    }
}

impl Page {
    /// Opens the season in this folder.
    pub fn open(folder: &Path) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_podfall"));
        command.args(["confirm", ".", "--no-open", "--who", "tester"]);
        Self::start(command.current_dir(folder))
    }

    /// Starts a command that opens a season.
    pub fn start(command: &mut Command) -> Self {
        let mut child = (command.stdout(Stdio::piped()).stderr(Stdio::inherit()))
            .spawn()
            .unwrap();
        let mut line = String::new();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        out.read_line(&mut line).unwrap();
        let address = line.rsplit(' ').next().unwrap().trim();
        let rest = address
            .strip_prefix("http://127.0.0.1:")
            .unwrap_or_else(|| panic!("no address in {line:?}"));
        let (port, key) = rest.split_once("/?key=").unwrap();
        let mut page = Self {
            child,
            port: port.parse().unwrap(),
            key: key.to_owned(),
            cookie: String::new(),
        };
        let first = page.raw(
            "GET",
            &format!("/?key={key}"),
            &[("Host", &page.host())],
            b"",
        );
        assert_eq!(first.status, 303, "{}", first.headers);
        let set = first
            .headers
            .lines()
            .find_map(|l| l.strip_prefix("set-cookie: "));
        page.cookie = set.unwrap().split(';').next().unwrap().to_owned();
        page
    }

    /// Ends it as a power cut would.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// The address to open, as printed.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/?key={}", self.port, self.key)
    }

    /// Host as a browser names it.
    pub fn host(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// One request, headers as given.
    pub fn raw(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        try_raw(self.port, method, path, headers, body).unwrap()
    }

    /// As the page itself asks.
    pub fn get(&self, path: &str) -> Answer {
        self.raw(
            "GET",
            path,
            &[("Host", &self.host()), ("Cookie", &self.cookie)],
            b"",
        )
    }

    /// As the page itself writes.
    pub fn post(&self, path: &str, value: &Value) -> Answer {
        let origin = format!("http://{}", self.host());
        let headers = [
            ("Host", self.host()),
            ("Cookie", self.cookie.clone()),
            ("Origin", origin),
            ("Content-Type", "application/json".to_owned()),
        ];
        let headers: Vec<(&str, &str)> = headers.iter().map(|(k, v)| (*k, v.as_str())).collect();
        self.raw("POST", path, &headers, value.to_string().as_bytes())
    }

    /// Number of the last act.
    pub fn seq(&self) -> u64 {
        self.get("/api/season").json()["seq"].as_u64().unwrap()
    }

    /// Version of the counts.
    pub fn counts_version(&self) -> u64 {
        let season = self.get("/api/season").json();
        season["counts_version"].as_u64().unwrap()
    }

    /// Says something of a photo, knowing what stands; wants it kept.
    pub fn says(&self, photo: usize, say: Value) -> Value {
        let answer = self.say_of(self.counts_version(), self.seq(), photo, say);
        assert_eq!(
            answer.status,
            200,
            "{}",
            String::from_utf8_lossy(&answer.body)
        );
        answer.json()
    }

    /// Says something, knowing of acts up to `seq` and of the counts that were there at first.
    pub fn say(&self, seq: u64, photo: usize, say: Value) -> Answer {
        self.say_of(0, seq, photo, say)
    }

    /// The same, knowing of these counts.
    pub fn say_of(&self, counts_version: u64, seq: u64, photo: usize, say: Value) -> Answer {
        let told =
            json!({"seq": seq, "counts_version": counts_version, "photo": photo, "say": say});
        self.post("/api/say", &told)
    }

    /// Takes back or brings back, knowing of acts up to `seq` and of the counts that were there at first.
    pub fn step(&self, way: &str, seq: u64) -> Answer {
        let told = json!({"seq": seq, "counts_version": 0});
        self.post(&format!("/api/{way}"), &told)
    }

    /// One photo as the page is told of it.
    pub fn photo(&self, n: usize) -> Value {
        self.get(&format!("/api/photo/{n}")).json()
    }
}

/// One request; an error when the server went away.
pub fn try_raw(
    port: u16,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: &[u8],
) -> std::io::Result<Answer> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    let mut head = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\n");
    for (name, value) in headers {
        head.push_str(&format!("{name}: {value}\r\n"));
    }
    if method == "POST" {
        head.push_str(&format!("Content-Length: {}\r\n", body.len()));
    }
    stream.write_all(format!("{head}\r\n").as_bytes())?;
    // A server that refuses a body may close before it has read it all.
    let _ = stream.write_all(body);
    let mut bytes = Vec::new();
    let read = stream.read_to_end(&mut bytes);
    let end = bytes.windows(4).position(|w| w == b"\r\n\r\n");
    let Some(end) = end else {
        read?;
        return Err(std::io::ErrorKind::UnexpectedEof.into());
    };
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok());
    Ok(Answer {
        status: status.ok_or(std::io::ErrorKind::InvalidData)?,
        headers: head,
        body: bytes[end + 4..].to_vec(),
    })
}
