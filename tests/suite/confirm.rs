//! The page on which a person puts the counts right: its server, what it keeps, and what follows.

use std::{collections::BTreeSet, fs, process::Command, time::Duration};

use podfall::marks::{Act, Journal, MarksFile};
use serde_json::{Value, json};

use crate::{
    field::Field,
    page::{Page, counted, try_raw, with_what_cannot_be_read},
};

fn journal(field: &Field) -> Journal {
    Journal::read(&fs::read(field.path("out/marks.journal")).unwrap()).unwrap()
}

fn marks(field: &Field) -> MarksFile {
    serde_json::from_str(&field.text("out/marks.json")).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value}"))
}

fn beans(photo: &Value) -> [f64; 3] {
    ["low", "estimate", "high"].map(|k| number(&photo["counts"]["beans"][k]))
}

fn verdict(object: &Value, is: &str) -> Value {
    json!({"do": "verdict", "object": object, "verdict": {"is": is}})
}

#[test]
fn every_route_answers_and_carries_the_policy() {
    let field = counted();
    let page = Page::open(field.folder.path());
    let html = page.get("/");
    assert_eq!(html.status, 200);
    // What is looked at first comes in one answer, and the page's head names its plot.
    let open = page.get("/api/open").json();
    let first = &open["season"]["photos"][0]["n"];
    assert_eq!(open["photo"]["n"], *first);
    let url = open["photo"]["plot"]["url"].as_str().unwrap();
    let link = format!("link: <{url}>; rel=preload; as=image");
    assert!(
        html.headers.to_lowercase().contains(&link),
        "{}",
        html.headers
    );
    for name in [
        "page.css", "main.js", "keys.js", "draw.js", "view.js", "talk.js", "show.js",
    ] {
        let answer = page.get(&format!("/{name}"));
        assert_eq!(answer.status, 200, "{name}");
        assert!(
            answer.headers.contains("default-src 'none'"),
            "{}",
            answer.headers
        );
    }
    let season = page.get("/api/season").json();
    assert_eq!(season["photos"].as_array().unwrap().len(), 4);
    assert!(number(&season["answer"]["first"]["limits"]["estimate"]) > 0.0);
    let photo = page.photo(0);
    assert_eq!(photo["name"], "a.jpg");
    let plot = page.get(photo["plot"]["url"].as_str().unwrap());
    assert!(plot.body.starts_with(&[0xFF, 0xD8]) && plot.headers.contains("image/jpeg"));
    let whole = page.get(photo["photo_url"].as_str().unwrap());
    assert_eq!(whole.body, fs::read(field.path("photos/a.jpg")).unwrap());
    let none = page.photo(3);
    assert!(none["plot"].is_null() && none["problem"].as_str().unwrap().contains("no frame"));
    assert_eq!(page.get("/api/photo/3/plot.jpg").status, 404);
    assert!(
        !field.path("out/marks.json").exists(),
        "looking writes nothing"
    );
}

#[test]
fn no_path_leads_out_of_the_season() {
    let field = counted();
    field.put("secret.txt", b"not for the page");
    let page = Page::open(field.folder.path());
    for path in [
        "/nothing.js",
        "/../podfall.toml",
        "/..%2f..%2fsecret.txt",
        "/%2e%2e/secret.txt",
        "/secret.txt",
        "/api/photo/4",
        "/api/photo/-1",
        "/api/photo/..%2f..%2fsecret.txt/photo",
        "/api/photo/0/../../../secret.txt",
        "//etc/passwd",
        "/api/photo/99999999999999999999/photo",
    ] {
        let answer = page.get(path);
        assert!(
            [400, 404].contains(&answer.status),
            "{path}: {}",
            answer.status
        );
        assert!(!String::from_utf8_lossy(&answer.body).contains("not for the page"));
    }
    let long = page.get(&format!("/{}", "x".repeat(2_000)));
    assert_eq!(long.status, 414);
    // A photo that was changed since it was counted is not shown as if it were that one.
    field.put(
        "photos/a.jpg",
        &fs::read(field.path("photos/b.jpg")).unwrap(),
    );
    assert_eq!(page.get("/api/photo/0/photo?v=new").status, 404);
}

#[test]
fn another_host_another_page_and_another_run_are_refused() {
    let field = counted();
    let page = Page::open(field.folder.path());
    let (host, origin) = (page.host(), format!("http://{}", page.host()));
    let note = json!({"do": "note", "text": "x"});
    let say = json!({"seq": 0, "counts_version": 0, "photo": 0, "say": note}).to_string();
    let json_type = ("Content-Type", "application/json");
    let good = [
        ("Host", host.as_str()),
        ("Origin", origin.as_str()),
        ("Cookie", page.cookie.as_str()),
        json_type,
    ];
    let other = |name: &'static str, value: Option<&'static str>| -> Vec<(&str, &str)> {
        let kept = good.iter().filter(|(n, _)| *n != name).copied();
        kept.chain(value.map(|v| (name, v))).collect()
    };
    let wrong = [
        other("Host", Some("evil.example")),
        other("Host", Some("127.0.0.1:1")),
        other("Origin", Some("http://evil.example")),
        other("Origin", Some("null")),
        other("Origin", None),
        other("Cookie", None),
        other("Cookie", Some("podfall-1=00")),
    ];
    for headers in wrong {
        for path in ["/api/say", "/api/undo", "/api/redo"] {
            let answer = page.raw("POST", path, &headers, say.as_bytes());
            assert_eq!(answer.status, 403, "{headers:?}");
        }
    }
    for path in [
        "/",
        "/main.js",
        "/api/season",
        "/api/photo/0",
        "/api/photo/0/photo",
    ] {
        for headers in [other("Host", Some("evil.example")), other("Cookie", None)] {
            assert_eq!(page.raw("GET", path, &headers, b"").status, 403, "{path}");
        }
        let cross: Vec<(&str, &str)> = (good.iter().copied())
            .chain([("Sec-Fetch-Site", "cross-site")])
            .collect();
        assert_eq!(page.raw("GET", path, &cross, b"").status, 403, "{path}");
    }
    let key = page.raw("GET", "/?key=0000", &[("Host", &host)], b"");
    assert_eq!(key.status, 403);
    assert!(!key.headers.contains("set-cookie"));
    // A form of another page cannot write JSON; too much is not read.
    let form = page.raw(
        "POST",
        "/api/say",
        &other("Content-Type", Some("text/plain")),
        say.as_bytes(),
    );
    assert_eq!(form.status, 415);
    let large = page.raw("POST", "/api/say", &good, &vec![b' '; 100_000]);
    assert_eq!(large.status, 413);
    let nonsense = page.raw(
        "POST",
        "/api/say",
        &good,
        b"{\"seq\":0,\"photo\":0,\"say\":{\"do\":\"shout\"}}",
    );
    assert_eq!(nonsense.status, 400);
    assert_eq!(page.seq(), 0, "nothing was written");
    assert_eq!(
        page.raw("POST", "/api/say", &good, say.as_bytes()).status,
        200
    );
    assert_eq!(page.seq(), 1);
}

#[test]
fn whatever_is_said_is_kept_and_the_numbers_follow() {
    let field = counted();
    let page = Page::open(field.folder.path());
    let before = beans(&page.photo(0));
    let objects = page.photo(0)["objects"].clone();
    let sure = objects
        .as_array()
        .unwrap()
        .iter()
        .find(|o| o["counted"] == true)
        .unwrap();
    page.says(0, verdict(&sure["name"], "split"));
    page.says(
        0,
        json!({"do": "add", "mm": [150.0, 3.0], "verdict": {"is": "bean"}}),
    );
    let told = page.says(
        0,
        json!({"do": "add", "mm": [160.0, 3.0], "verdict": {"is": "pod", "beans": 3}}),
    );
    let added: Vec<&Value> = (told["photo"]["objects"].as_array().unwrap().iter())
        .filter(|o| o["added"] == true)
        .collect();
    assert_eq!(added.len(), 2);
    page.says(0, json!({"do": "take", "object": added[0]["name"]}));
    page.says(0, json!({"do": "note", "text": "by the gate"}));
    page.says(
        0,
        json!({"do": "place", "place": "behind", "check": "1", "setting": "as found"}),
    );
    page.says(0, json!({"do": "hand", "beans": 11, "pods": null}));
    page.says(0, json!({"do": "hand", "beans": null, "pods": null}));
    let done = page.says(0, json!({"do": "confirm"}));
    assert_eq!(done["photo"]["standing"], "confirmed");
    let [low, estimate, high] = beans(&done["photo"]);
    assert!(low == estimate && estimate == high && before[2] > before[0]);
    page.says(1, json!({"do": "unusable", "why": "blurred"}));
    assert!(page.photo(1)["counts"].is_null());
    page.says(1, json!({"do": "usable"}));
    assert!(page.photo(1)["counts"].is_object());
    let file = marks(&field);
    assert_eq!(file.seq, 11);
    let first = &file
        .photos
        .iter()
        .find(|p| p.photo == "a.jpg")
        .unwrap()
        .marks;
    assert_eq!(first.note.as_deref(), Some("by the gate"));
    assert_eq!(first.place.place.as_deref(), Some("behind"));
    assert!(first.confirmed.is_some() && first.added.len() == 1);
    let said = &journal(&field).entries[0];
    assert_eq!(said.who, "tester");
    assert!(said.at.len() > 20 && (said.at.contains('+') || said.at.contains("-")));
    assert!(matches!(said.act, Act::Verdict { .. }));
    // What cannot be said is refused with a word, and nothing is written.
    for say in [
        json!({"do": "add", "mm": [900.0, 3.0], "verdict": {"is": "bean"}}),
        json!({"do": "verdict", "object": "o999", "verdict": {"is": "bean"}}),
        json!({"do": "verdict", "object": sure["name"], "verdict": {"is": "pod", "beans": 40}}),
        json!({"do": "hand", "beans": -1, "pods": null}),
        json!({"do": "place", "place": "somewhere", "check": null, "setting": null}),
        json!({"do": "unusable", "why": " "}),
        json!({"do": "note", "text": "x".repeat(2001)}),
    ] {
        let answer = page.say(11, 0, say.clone());
        assert_eq!(answer.status, 422, "{say}");
        assert!(answer.json()["error"].as_str().unwrap().len() > 10);
    }
    assert_eq!(
        page.say(11, 3, json!({"do": "confirm"})).status,
        422,
        "no count to confirm"
    );
    assert_eq!(page.seq(), 11);
    // The loss goes by it: one photo confirmed, its place known without a sheet.
    drop(page);
    let loss: Value = serde_json::from_str(&field.runs_well(&["loss", ".", "--json"])).unwrap();
    assert!(loss.to_string().contains("\"confirmed\":1"), "{loss}");
}

/// The page is told whether there is a picture, and the words for one that cannot be had say what is the case.
#[test]
fn why_a_picture_cannot_be_shown_is_said_as_it_is() {
    let field = with_what_cannot_be_read();
    let page = Page::open(field.folder.path());
    let named = |n: usize| page.photo(n)["photo_url"].as_str().unwrap().to_owned();
    assert_eq!(page.photo(0)["readable"], false);
    assert_eq!(page.photo(1)["readable"], true);
    // Set aside, it is no more readable.
    page.says(0, json!({"do": "unusable", "why": "not read"}));
    assert_eq!(page.photo(0)["readable"], false);
    let said = || {
        let answer = page.get(&named(1));
        (
            answer.status,
            String::from_utf8_lossy(&answer.body).into_owned(),
        )
    };
    assert_eq!(said().0, 200);
    let path = field.path("photos/no-frame.jpg");
    fs::write(&path, b"another").unwrap();
    let (status, words) = said();
    assert!(
        status == 404 && words.contains("not the one that was counted"),
        "{words}"
    );
    fs::remove_file(&path).unwrap();
    let (status, words) = said();
    assert!(status == 404 && words.contains("cannot be read"), "{words}");
    drop(page);
    let page = Page::open(field.folder.path());
    let answer = page.get(page.photo(1)["photo_url"].as_str().unwrap());
    let words = String::from_utf8_lossy(&answer.body);
    assert!(
        words.contains("the photo file is not there; put it back"),
        "{words}"
    );
}

#[test]
fn undo_and_redo_go_on_after_a_restart() {
    let field = counted();
    let page = Page::open(field.folder.path());
    for text in ["one", "two", "three"] {
        page.says(0, json!({"do": "note", "text": text}));
    }
    page.kill();
    let page = Page::open(field.folder.path());
    let note = |page: &Page| page.photo(0)["note"].clone();
    let step = |way: &str| page.step(way, page.seq());
    for left in [json!("two"), json!("one"), Value::Null] {
        assert_eq!(step("undo").status, 200);
        assert_eq!(note(&page), left);
    }
    assert_eq!(step("undo").status, 422, "nothing is left to take back");
    assert_eq!(step("redo").status, 200);
    page.kill();
    let page = Page::open(field.folder.path());
    assert_eq!(page.photo(0)["note"], "one");
    assert_eq!(page.step("redo", page.seq()).status, 200);
    assert_eq!(page.photo(0)["note"], "two");
    // A new act ends what can be brought back; nothing is ever taken out of the journal.
    page.says(0, json!({"do": "note", "text": "four"}));
    assert_eq!(page.step("redo", page.seq()).status, 422);
    assert_eq!(journal(&field).entries.len(), 9);
}

#[test]
fn of_two_tabs_the_one_that_lags_is_told_and_nothing_is_lost() {
    let field = counted();
    let page = Page::open(field.folder.path());
    assert_eq!(
        page.say(0, 0, json!({"do": "note", "text": "first tab"}))
            .status,
        200
    );
    let late = page.say(0, 0, json!({"do": "note", "text": "second tab"}));
    assert_eq!(late.status, 409);
    let told = late.json();
    assert_eq!(told["stale"], true);
    assert_eq!(told["photo"]["note"], "first tab", "it shows what stands");
    assert_eq!(told["season"]["seq"], 1);
    assert_eq!(page.step("undo", 0).status, 409);
    assert_eq!(
        page.say(1, 0, json!({"do": "note", "text": "second tab"}))
            .status,
        200
    );
    assert_eq!(journal(&field).entries.len(), 2);
}

#[test]
fn a_second_run_on_the_same_season_is_refused_and_a_taken_port_gives_another() {
    let (field, other) = (counted(), counted());
    let page = Page::open(field.folder.path());
    let second = field.run(&["confirm", ".", "--no-open"]);
    assert_eq!(second.code, Some(2));
    assert!(
        second.stderr.contains("another podfall confirm"),
        "{}",
        second.stderr
    );
    let port = page.port.to_string();
    let mut command = Command::new(env!("CARGO_BIN_EXE_podfall"));
    command.args(["confirm", ".", "--no-open", "--port", &port]);
    let beside = Page::start(command.current_dir(other.folder.path()));
    assert_ne!(beside.port, page.port);
    // One run's cookie opens no other.
    let headers = [("Host", beside.host()), ("Cookie", page.cookie.clone())];
    let headers: Vec<(&str, &str)> = headers.iter().map(|(k, v)| (*k, v.as_str())).collect();
    assert_eq!(beside.raw("GET", "/api/season", &headers, b"").status, 403);
}

/// Killed again and again while it saves: whatever was answered is there afterwards, the chain holds.
#[test]
fn killed_while_saving_nothing_that_was_answered_is_lost() {
    let field = counted();
    let mut answered = BTreeSet::new();
    for round in 0..4_u64 {
        let page = Page::open(field.folder.path());
        let (port, cookie, host) = (page.port, page.cookie.clone(), page.host());
        let first = page.seq();
        let saver = std::thread::spawn(move || {
            let mut kept = Vec::new();
            for seq in first.. {
                let text = format!("{round}-{seq}");
                let note = json!({"do": "note", "text": text});
                let say = json!({"seq": seq, "counts_version": 0, "photo": 1, "say": note});
                let origin = format!("http://{host}");
                let headers = [
                    ("Host", host.as_str()),
                    ("Cookie", cookie.as_str()),
                    ("Origin", origin.as_str()),
                    ("Content-Type", "application/json"),
                ];
                match try_raw(
                    port,
                    "POST",
                    "/api/say",
                    &headers,
                    say.to_string().as_bytes(),
                ) {
                    Ok(answer) if answer.status == 200 => kept.push(text),
                    _ => break,
                }
            }
            kept
        });
        std::thread::sleep(Duration::from_millis(250 + 70 * round));
        page.kill();
        answered.extend(saver.join().unwrap());
    }
    assert!(answered.len() > 8, "only {} were saved", answered.len());
    // A half line, as a cut in the middle of a write leaves it.
    let mut bytes = fs::read(field.path("out/marks.journal")).unwrap();
    bytes.extend(b"{\"seq\":99,\"prev\":\"ab");
    fs::write(field.path("out/marks.journal"), &bytes).unwrap();
    let page = Page::open(field.folder.path());
    page.says(1, json!({"do": "note", "text": "after"}));
    let there: BTreeSet<String> = (journal(&field).entries.into_iter())
        .filter_map(|e| match e.act {
            Act::Note { text } => Some(text),
            _ => None,
        })
        .collect();
    assert!(
        answered.is_subset(&there),
        "lost: {:?}",
        answered.difference(&there)
    );
    assert_eq!(
        field.text("out/marks.journal.torn-1"),
        "{\"seq\":99,\"prev\":\"ab"
    );
    assert_eq!(marks(&field).seq, journal(&field).seq());
}

#[test]
fn a_changed_journal_is_told_by_its_line() {
    let field = counted();
    let page = Page::open(field.folder.path());
    for text in ["one", "two", "three"] {
        page.says(0, json!({"do": "note", "text": text}));
    }
    page.kill();
    let text = field
        .text("out/marks.journal")
        .replacen("\"two\"", "\"too\"", 1);
    field.put("out/marks.journal", text.as_bytes());
    for args in [&["confirm", ".", "--no-open"][..], &["loss", "."]] {
        let ran = field.run(args);
        assert_eq!(ran.code, Some(2));
        assert!(
            ran.stderr.contains("line 3 does not follow on line 2"),
            "{}",
            ran.stderr
        );
    }
    assert_eq!(field.text("out/marks.journal"), text, "left as it is");
}

/// A file may grow to 6 kB here and no further, which is what a full disk looks like to the program.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told_and_what_was_kept_stays() {
    let field = counted();
    let mut command = Command::new("bash");
    let binary = env!("CARGO_BIN_EXE_podfall");
    let script =
        format!("trap '' XFSZ; ulimit -f 6; exec {binary} confirm . --no-open --who tester");
    let page = Page::start(
        command
            .args(["-c", &script])
            .current_dir(field.folder.path()),
    );
    let mut kept = 0;
    let refused = loop {
        let text = format!("{kept} {}", "x".repeat(400));
        let answer = page.say(kept, 0, json!({"do": "note", "text": text}));
        if answer.status != 200 {
            break answer;
        }
        kept += 1;
        assert!(kept < 100, "the limit was never met");
    };
    assert_eq!(refused.status, 500);
    let error = refused.json()["error"].as_str().unwrap().to_owned();
    assert!(
        error.contains("cannot be written") && error.contains("room"),
        "{error}"
    );
    assert!(kept >= 3);
    assert_eq!(page.seq(), kept);
    page.kill();
    let page = Page::open(field.folder.path());
    assert_eq!(page.seq(), kept);
    page.says(0, json!({"do": "note", "text": "there is room again"}));
    assert_eq!(journal(&field).seq(), kept + 1);
}

/// Other numbers, places moved by a millimetre, one object gone: marks stay with their objects.
#[test]
fn counts_made_anew_under_the_page_keep_their_marks() {
    let field = counted();
    let page = Page::open(field.folder.path());
    let objects = page.photo(2)["objects"].as_array().unwrap().clone();
    for (at, is) in [(0, "none"), (1, "split"), (2, "bean")] {
        page.says(2, verdict(&objects[at]["name"], is));
    }
    let mut counts = field.json("out/counts.json");
    let photo = &mut counts["photos"][2];
    let px_per_mm = number(&photo["plot"]["photo_px_per_mm"]);
    let list = photo["objects"].as_array_mut().unwrap();
    list.remove(2);
    list.reverse();
    for (at, object) in list.iter_mut().enumerate() {
        object["id"] = json!(at + 1);
        object["x_mm"] = json!(number(&object["x_mm"]) + 1.0);
        object["x_px"] = json!(number(&object["x_px"]) + px_per_mm);
    }
    let left = list.len();
    field.put("out/counts.json", counts.to_string().as_bytes());
    page.get("/api/season");
    let now = page.photo(2);
    let is = |at: usize| now["objects"][at]["verdict"]["is"].clone();
    assert_eq!(
        (is(left - 1), is(left - 2)),
        (json!("none"), json!("split"))
    );
    let homeless = now["homeless"].as_array().unwrap();
    assert_eq!(homeless.len(), 1);
    assert_eq!(homeless[0]["object"]["id"], objects[2]["id"]);
    assert_eq!(page.seq(), 3);
    // Counts that cannot be read stop nothing that was known, and are told.
    field.put("out/counts.json", b"{");
    assert_eq!(page.get("/api/season").status, 500);
    assert_eq!(page.photo(2)["objects"].as_array().unwrap().len(), left);
}

/// Counts made anew give photos other numbers: what is said of a photo by its old number is written to none.
#[test]
fn what_is_said_of_other_counts_is_not_kept() {
    let field = counted();
    let all = field.json("out/counts.json");
    let mut fewer = all.clone();
    fewer["photos"].as_array_mut().unwrap().remove(0);
    field.put("out/counts.json", fewer.to_string().as_bytes());
    let page = Page::open(field.folder.path());
    let shown = page.photo(0);
    assert_eq!(shown["name"], "b.jpg");
    let object = &shown["objects"][0]["name"];
    field.put("out/counts.json", all.to_string().as_bytes());
    for say in [
        json!({"do": "hand", "beans": 5, "pods": null}),
        json!({"do": "confirm"}),
        json!({"do": "unusable", "why": "blurred"}),
        json!({"do": "place", "place": "cut", "check": null, "setting": null}),
        json!({"do": "corners", "corners_px": [[450.0, 250.0], [1000.0, 240.0], [1010.0, 800.0], [440.0, 810.0]]}),
        verdict(object, "none"),
    ] {
        let answer = page.say(0, 0, say.clone());
        assert_eq!(answer.status, 409, "{say}");
        let told = answer.json();
        assert_eq!(told["stale"], true);
        assert!(
            told["error"].as_str().unwrap().contains("counted anew"),
            "{told}"
        );
        assert_eq!(told["season"]["counts_version"], 1, "it shows what stands");
        assert_eq!(told["photo"]["name"], "a.jpg");
    }
    assert_eq!(page.step("undo", 0).status, 409);
    assert!(journal(&field).entries.is_empty());
    assert!(!field.path("out/recounted.json").exists());
    // Knowing of them, it is kept; a sheet filled in moves no number.
    field.put("sheet.csv", b"photo,place\na.jpg,cut\n");
    let hand = json!({"do": "hand", "beans": 5, "pods": null});
    assert_eq!(page.say_of(1, 0, 1, hand).status, 200);
    assert_eq!(journal(&field).entries[0].photo, "b.jpg");
}

/// A sheet that does not fit: told each time until it is mended, nothing is written meanwhile, and nothing half taken in.
#[test]
fn a_sheet_that_does_not_fit_is_told_each_time_and_nothing_is_kept_by_halves() {
    let field = counted();
    field.put("sheet.csv", b"photo,place\na.jpg,cut\n");
    let page = Page::open(field.folder.path());
    page.says(0, json!({"do": "note", "text": "before"}));
    field.put("sheet.csv", b"photo,place\na.jpg,behind\nnope.jpg,cut\n");
    for _ in 0..2 {
        let season = page.get("/api/season");
        assert_eq!(season.status, 500);
        let error = season.json()["error"].as_str().unwrap().to_owned();
        assert!(error.contains("nope.jpg"), "{error}");
        let late = page.say(1, 0, json!({"do": "note", "text": "meanwhile"}));
        assert_eq!(late.status, 500);
        assert_eq!(late.json()["season"]["seq"], 1);
        assert_eq!(late.json()["photo"]["place"]["sheet"]["place"], "cut");
    }
    assert_eq!(journal(&field).entries.len(), 1);
    field.put("sheet.csv", b"photo,place\na.jpg,behind\n");
    page.says(0, json!({"do": "note", "text": "after"}));
    assert_eq!(page.photo(0)["place"]["sheet"]["place"], "behind");
    assert_eq!(journal(&field).entries.len(), 2);
}

/// The frame was said wrong, or a photo is refused now: what was confirmed does not stand, and that is said by name.
#[test]
fn what_was_confirmed_for_another_frame_is_told() {
    let field = counted();
    let page = Page::open(field.folder.path());
    for n in 0..3 {
        page.says(n, json!({"do": "confirm"}));
    }
    let mut counts = field.json("out/counts.json");
    for n in 0..2 {
        counts["photos"][n]["frame_spec"] = json!("30x30cm");
    }
    counts["photos"][2]["status"] = json!("refused");
    counts["photos"][2]["counts"] = Value::Null;
    field.put("out/counts.json", counts.to_string().as_bytes());
    let season = page.get("/api/season").json();
    assert_eq!(season["confirmed"], 0);
    let told = season["answer"]["cautions"].to_string();
    for words in [
        "the mean of all frames, for no place is told: fill in the sheet first",
        "2 photos were confirmed, but for a frame of another shape or size, so that what was confirmed does not stand: \
         a.jpg, b.jpg; confirm again",
        "1 photo was confirmed, but cannot be counted now, so that what was confirmed does not stand: c.jpg; set",
    ] {
        assert!(told.contains(words), "{words}: {told}");
    }
    assert_eq!(page.photo(0)["lapsed"], "other-frame");
    assert_eq!(page.photo(2)["lapsed"], "not-counted");
    assert_eq!(page.photo(3)["lapsed"], Value::Null);
    drop(page);
    let loss = field.runs_well(&["loss", "."]);
    let loss = loss.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(loss.contains("2 photos were confirmed, but for"), "{loss}");
    // Confirmed again it stands for the new frame.
    let page = Page::open(field.folder.path());
    let told = page.says(0, json!({"do": "confirm"}));
    assert_eq!(told["photo"]["lapsed"], Value::Null);
    assert_eq!(told["season"]["confirmed"], 1);
}

/// A photo without a frame gets one by its corners; the loss then counts it, and undo takes it out again.
#[test]
fn corners_set_by_hand_make_the_plot_anew() {
    let field = counted();
    let page = Page::open(field.folder.path());
    let corners = json!([
        [450.0, 250.0],
        [1000.0, 240.0],
        [1010.0, 800.0],
        [440.0, 810.0]
    ]);
    let told = page.says(3, json!({"do": "corners", "corners_px": corners}));
    let photo = &told["photo"];
    assert_eq!(photo["corners_by_hand"], true);
    assert!(beans(photo)[1] > 0.0);
    let plot = page.get(photo["plot"]["url"].as_str().unwrap());
    assert!(plot.body.starts_with(&[0xFF, 0xD8]));
    let crossed = json!([
        [450.0, 250.0],
        [1010.0, 800.0],
        [1000.0, 240.0],
        [440.0, 810.0]
    ]);
    let refused = page.say(1, 3, json!({"do": "corners", "corners_px": crossed}));
    assert_eq!(refused.status, 422);
    assert!(refused.json()["error"].as_str().unwrap().contains("cross"));
    let frames = |page: Option<&Page>| {
        let _ = page;
        let text = field.runs_well(&["loss", ".", "--json"]);
        serde_json::from_str::<Value>(&text).unwrap()["frames"].clone()
    };
    assert_eq!(frames(Some(&page)), 4);
    page.step("undo", 1);
    assert_eq!(frames(Some(&page)), 3);
    assert!(page.photo(3)["plot"].is_null());
    page.step("redo", 2);
    assert!(page.photo(3)["plot"].is_object());
    let counts = field.json("out/counts.json");
    assert_eq!(
        counts["photos"][3]["status"], "refused",
        "what the tool saw stays as it was"
    );
}

/// The queue begins with what moves the answer most, and what is done goes to its end.
#[test]
fn the_queue_goes_by_doubt_and_the_limits_shrink() {
    let field = counted();
    let page = Page::open(field.folder.path());
    let season = page.get("/api/season").json();
    let shares: Vec<f64> = (season["photos"].as_array().unwrap().iter())
        .map(|p| number(&p["share_pct"]))
        .collect();
    assert!(shares.is_sorted_by(|a, b| a >= b), "{shares:?}");
    assert!((shares.iter().sum::<f64>() - 100.0).abs() < 1e-6);
    let first = season["photos"][0]["n"].as_u64().unwrap() as usize;
    let told = page.says(first, json!({"do": "confirm"}));
    let season = &told["season"];
    assert_eq!(season["photos"][3]["n"].as_u64().unwrap() as usize, first);
    assert_eq!(season["done"], 1);
    let answer = &season["answer"];
    assert!(number(&answer["least_half_width_pct"]) <= number(&answer["half_width_pct"]));
    assert!(answer["says"].as_str().unwrap().len() > 20);
}

/// A ring's edge is set by four points; the plot and its count are made anew, and the bar's height is that which
/// `count` was told, though podfall.toml says nothing of it.
#[test]
fn a_rings_edge_set_by_hand_makes_the_plot_anew_and_keeps_the_bars_height() {
    let field = Field::new();
    let photo = crate::pictures::fixture_bytes("ring-on-pale-soil/photo.jpg");
    field.put("photos/r.jpg", &photo);
    let counting = [
        "count",
        ".",
        "--frame",
        "ring:16in",
        "--bar-height",
        "13mm",
        "--no-pictures",
    ];
    field.run(&counting);
    let area = |photo: &Value| {
        ["area_low_m2", "area_m2", "area_high_m2"].map(|k| number(&photo["plot"][k]))
    };
    let counts = field.json("out/counts.json");
    assert_eq!(counts["photos"][0]["bar_height_mm"], 13.0);
    let first = area(&counts["photos"][0]);
    let page = Page::open(field.folder.path());
    let told = page.photo(0);
    assert_eq!(told["ring"], true);
    let found: Vec<[f64; 2]> = serde_json::from_value(told["corners_px"].clone()).unwrap();
    // The same ring, told by two diameters that are not its axes, a hundredth larger.
    let middle = [0, 1].map(|k| found.iter().map(|p| p[k]).sum::<f64>() / 4.0);
    let half = [0, 1].map(|i| [0, 1].map(|k| 1.01 * (found[i][k] - middle[k])));
    let at =
        |turn: f64| [0, 1].map(|k| middle[k] + turn.cos() * half[0][k] + turn.sin() * half[1][k]);
    let turn = std::f64::consts::FRAC_PI_2;
    let points: Vec<[f64; 2]> = (0..4).map(|i| at(0.6 + turn * f64::from(i))).collect();
    let told = page.says(0, json!({"do": "corners", "corners_px": points}));
    assert_eq!(told["photo"]["corners_by_hand"], true);
    let set: Vec<[f64; 2]> = serde_json::from_value(told["photo"]["corners_px"].clone()).unwrap();
    for set in &set {
        let off = |found: &[f64; 2]| {
            let grown = [0, 1].map(|k| middle[k] + 1.01 * (found[k] - middle[k]));
            (grown[0] - set[0]).hypot(grown[1] - set[1])
        };
        let nearest = found.iter().map(off).fold(f64::MAX, f64::min);
        assert!(nearest < 1.0, "{found:?} {set:?}");
    }
    let anew = &field.json("out/recounted.json")["photos"][0]["count"];
    assert_eq!(anew["bar_height_mm"], 13.0);
    for (one, other) in first.iter().zip(area(anew)) {
        // Untold, the area's limits would be wide apart.
        assert!(
            (one - other).abs() < 0.02 * one,
            "{first:?} {:?}",
            area(anew)
        );
    }
    let line = json!([
        [100.0, 100.0],
        [200.0, 200.0],
        [300.0, 300.0],
        [400.0, 400.0]
    ]);
    let refused = page.say(1, 0, json!({"do": "corners", "corners_px": line}));
    assert_eq!(refused.status, 422);
    assert!(
        refused.json()["error"]
            .as_str()
            .unwrap()
            .contains("make no ring")
    );
    page.step("undo", 1);
    assert_eq!(page.photo(0)["corners_by_hand"], false);
}

/// A model of another name and SHA-256, that takes fewer objects for beans.
fn other_model(field: &Field, name: &str) {
    let models = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("models");
    let own = models.join(podfall::model::built_in_card().name);
    let mut network = fs::read(own.with_extension("onnx")).unwrap();
    // ModelProto's doc_string (field 6 of the ONNX standard): a remark that changes nothing but the bytes.
    network.extend([0x32, 1, name.as_bytes()[0]]);
    let card = fs::read_to_string(own.with_extension("toml")).unwrap();
    let mut lines: Vec<String> = card.lines().map(str::to_owned).collect();
    let mut change = |key: &str, value: String| {
        let at = lines.iter().position(|line| line.starts_with(key)).unwrap();
        lines[at] = format!("{key} = {value}");
    };
    change("name", format!("\"{name}\""));
    change(
        "sha256",
        format!("\"{}\"", podfall::photo::sha256_hex(&network)),
    );
    change(
        "weights",
        "[-2, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]".to_owned(),
    );
    change("least_photo_px_per_mm", "99".to_owned());
    field.put(&format!("{name}.onnx"), &network);
    field.put(&format!("{name}.toml"), lines.join("\n").as_bytes());
}

/// Corners set by hand: the photo is counted anew with the model that the season was counted with, or not at all.
#[test]
fn a_plot_made_anew_goes_by_the_model_of_the_season() {
    let field = counted();
    for name in ["b.jpg", "c.jpg"] {
        fs::remove_file(field.path(&format!("photos/{name}"))).unwrap();
    }
    other_model(&field, "mine");
    other_model(&field, "yours");
    field.run(&["count", ".", "--no-pictures", "--model", "mine.onnx"]);
    let corners = |x: f64| json!([[x, 250.0], [1000.0, 240.0], [1010.0, 800.0], [440.0, 810.0]]);
    let edge = |x: f64| json!({"do": "corners", "corners_px": corners(x)});
    let by_itself = |model: &[&str]| {
        let corners = "450,250,1000,240,1010,800,440,810";
        let args = [
            &[
                "count",
                "photos/d.jpg",
                "--corners",
                corners,
                "--out",
                "alone",
                "--json",
                "--no-pictures",
            ],
            model,
        ]
        .concat();
        let line = field.run(&args).stdout;
        serde_json::from_str::<Value>(&line).unwrap()["counts"]["beans"].clone()
    };
    let mine = by_itself(&["--model", "mine.onnx"]);
    assert_ne!(mine, by_itself(&[]), "the two models tell this photo apart");
    let page = Page::open(field.folder.path());
    let told = page.says(1, edge(450.0));
    assert_eq!(told["photo"]["counts"]["beans"], mine);
    page.kill();
    // Another file in its place, then none: told, and nothing is said of the photo.
    let refused = |words: &[&str]| {
        let page = Page::open(field.folder.path());
        let seq = page.seq();
        let answer = page.say(seq, 1, edge(460.0));
        assert_eq!(answer.status, 422);
        let error = answer.json()["error"].as_str().unwrap().to_owned();
        for word in words {
            assert!(error.contains(word), "{word}: {error}");
        }
        assert_eq!(page.seq(), seq);
        assert_eq!(
            page.photo(1)["counts"]["beans"],
            mine,
            "what was counted before stays"
        );
    };
    let renamed = |from: &str, to: &str| {
        for end in ["onnx", "toml"] {
            fs::rename(
                field.path(&format!("{from}.{end}")),
                field.path(&format!("{to}.{end}")),
            )
            .unwrap();
        }
    };
    renamed("mine", "moved");
    refused(&["mine", "cannot be read", "--model"]);
    renamed("yours", "mine");
    refused(&["SHA-256", "another one"]);
    let wrong = field.run(&["confirm", ".", "--no-open", "--model", "mine.onnx"]);
    assert_eq!(wrong.code, Some(2), "{}", wrong.stderr);
    assert!(wrong.stderr.contains("SHA-256"), "{}", wrong.stderr);
    // Named once, it is known from then on.
    let named = ["confirm", ".", "--no-open", "--model", "moved.onnx"];
    Page::start(&mut field.command(&named)).kill();
    let page = Page::open(field.folder.path());
    page.says(1, edge(460.0));
    page.kill();
    // Counted with another model: the count made anew with the first one is not mixed in.
    field.run(&["count", ".", "--no-pictures"]);
    let page = Page::open(field.folder.path());
    assert_eq!(page.photo(1)["recount_missing"], true);
    assert_eq!(page.photo(1)["corners_px"], corners(460.0));
    page.says(1, edge(460.0));
    assert_eq!(page.photo(1)["recount_missing"], false);
    // Nor is one of a frame of another size, where that was said wrong.
    let mut counts = field.json("out/counts.json");
    counts["photos"][1]["frame_spec"] = json!("30x30cm");
    field.put("out/counts.json", counts.to_string().as_bytes());
    page.get("/api/season");
    assert_eq!(page.photo(1)["recount_missing"], true);
}

/// Two frames say next to nothing of the field: words stand wherever limits would read as nonsense, and the JSON keeps them.
#[test]
fn of_two_frames_no_absurd_limits_are_shown_anywhere() {
    let field = counted();
    let mut counts = field.json("out/counts.json");
    let two = counts["photos"].as_array_mut().unwrap();
    two.retain(|p| p["photo"] == "a.jpg" || p["photo"] == "c.jpg");
    field.put("out/counts.json", counts.to_string().as_bytes());
    let too_few = "too few frames to say";
    let to_do = "too few frames to say how sure this is: count at least";
    let loss: Value = serde_json::from_str(&field.runs_well(&["loss", ".", "--json"])).unwrap();
    let limits = &loss["amount"]["bu_per_ac"];
    assert!(
        number(&limits["high"]) > 10.0 * number(&limits["estimate"]),
        "{limits}"
    );
    let text = field.runs_well(&["loss", "."]);
    assert!(text.contains(to_do), "{text}");
    let page = Page::open(field.folder.path());
    let answer = page.get("/api/season").json()["answer"].clone();
    assert!(
        answer["first"]["too_few"]
            .as_str()
            .unwrap()
            .starts_with(to_do)
    );
    assert_eq!(answer["half_width"], "");
    assert_eq!(answer["enough"], false);
    let says = answer["says"].as_str().unwrap();
    assert!(
        says.starts_with("Too few frames to say how sure this is: count at least")
            && !says.contains('±'),
        "{says}"
    );
    page.says(0, json!({"do": "note", "text": "seen"}));
    page.says(0, json!({"do": "confirm"}));
    page.kill();
    let absurd = |text: &str| text.contains("95 % limits 0") || text.contains("95 % limits: 0");
    field.runs_well(&["redraw", "."]);
    let html = field.text("out/confirmed.html");
    assert!(html.contains(to_do), "the confidence report");
    let ran = field.run(&["record", "."]);
    assert_eq!(ran.code, Some(3), "{}", ran.stderr);
    let html = field.text("record/record.html");
    assert!(html.contains(to_do) && !absurd(&html), "the record");
    field.put("sheet.csv", b"photo,place\na.jpg,behind\nc.jpg,behind\n");
    let text = field.runs_well(&["loss", "."]);
    assert!(
        text.contains(too_few) && text.contains("more behind the machine"),
        "{text}"
    );
    let html = field.text("out/loss.html");
    assert!(
        html.contains("more behind the machine") && !absurd(&html),
        "the loss page"
    );
    fs::remove_dir_all(field.path("record")).unwrap();
    fs::remove_file(field.path("record.zip")).unwrap();
    let ran = field.run(&["record", "."]);
    assert_eq!(ran.code, Some(3), "{}", ran.stderr);
    let html = field.text("record/record.html");
    assert!(
        html.contains("more behind the machine") && !absurd(&html),
        "the record"
    );
}
