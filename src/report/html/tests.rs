use super::*;
use crate::{
    annotate::tests::scene::Scene,
    caution::CautionKind,
    counts::{Kind, Status},
};

fn report(scenes: &[Scene]) -> String {
    let summary = Summary {
        title: "North <field> & \"hill\"".to_owned(),
        headline: Some(Figure {
            too_few: None,
            name: "Loss".to_owned(),
            limits: Limits {
                estimate: 1.925,
                low: -0.05,
                high: 2.2,
            },
            unit: "bu/ac".to_owned(),
            decimals: 2,
        }),
        table: Table {
            heads: vec!["Place".to_owned()],
            rows: vec![vec!["behind".to_owned()]],
        },
        ..Summary::default()
    };
    let settings = PictureSettings::default();
    let parts = scenes.iter().map(|s| PhotoPart {
        count: &s.count,
        pictures: pictures(&s.photo, Some(&s.plot), (&s.count, None), &settings),
        said: None,
    });
    confidence_report(&summary, &ModelName::default(), parts).unwrap()
}

fn named(name: &str) -> Scene {
    let mut scene = Scene::leaning();
    scene.count.photo = name.to_owned();
    scene
}

/// Fails unless every element is closed in the order in which it was opened.
fn assert_well_formed(html: &str) {
    const VOID: [&str; 6] = ["meta", "br", "img", "line", "rect", "circle"];
    let body = html.split_once("</style>").unwrap().1;
    let mut open: Vec<&str> = Vec::new();
    let mut rest = body;
    while let Some((_, after)) = rest.split_once('<') {
        let (tag, after) = after.split_once('>').expect("a tag ends");
        rest = after;
        assert_eq!(tag.matches('"').count() % 2, 0, "quotes in <{tag}>");
        let name = tag
            .trim_start_matches('/')
            .split([' ', '/'])
            .next()
            .unwrap();
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "</{name}>");
        } else if !tag.ends_with('/') && !VOID.contains(&name) {
            assert!(name.chars().all(|c| c.is_ascii_alphanumeric()), "<{name}>");
            open.push(name);
        }
    }
    // The head and the page themselves were opened before the style.
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn the_page_is_well_formed_and_holds_all_it_needs() {
    let mut scene = named("a.jpg");
    for i in 0..20 {
        scene.add(Kind::Bean, (20.0 + 12.0 * f64::from(i), 50.0), true, true);
    }
    scene.caution(CautionKind::HeavyResidue, "lift the residue");
    let html = report(&[scene, named("b.jpg")]);
    let body = html.replace("</head>", "").replace("</html>", "");
    assert_well_formed(&body.replace("<html lang=\"en\">", ""));
    for outside in [
        "<script", "http:", "https:", "//", "@import", "url(", "onload", "<link",
    ] {
        let pictureless: String = html
            .split("base64,")
            .map(|s| s.split_once('"').map_or(s, |p| p.1))
            .collect();
        assert!(!pictureless.contains(outside), "{outside}");
    }
    assert!(html.contains("default-src 'none'"));
    assert_eq!(html.matches("<figure>").count(), 12);
    assert!(html.contains("The 12 most doubtful of 20 doubtful objects"));
    assert!(html.contains("95 % limits: −0.05 to 2.20"));
    assert!(html.contains("Lift the residue inside the frame"));
    assert_eq!(html.matches("Hand count</th>").count(), 2);
}

#[test]
fn hostile_names_stay_words() {
    let mut scene = named("\"><img src=x onerror=alert(1)>'.jpg");
    scene.caution(CautionKind::Blur, "<b>bold</b>");
    scene.count.problem = Some("</section><script>x</script>".to_owned());
    let html = report(&[scene]);
    assert!(!html.contains("<img src=x") && !html.contains("<script") && !html.contains("<b>bold"));
    assert!(html.contains("&lt;img src=x onerror=alert(1)&gt;"));
    assert!(html.contains("North &lt;field&gt; &amp; &quot;hill&quot;"));
}

#[test]
fn photos_come_in_the_order_of_their_doubt() {
    let width = |name: &str, beans: (f64, f64)| {
        let mut scene = named(name);
        let counts = scene.count.counts.as_mut().unwrap();
        counts.beans.low = beans.0;
        counts.beans.high = beans.1;
        scene
    };
    let mut refused = named("refused.jpg");
    refused.count.counts = None;
    refused.count.status = Status::Refused;
    refused.count.problem = Some("no frame found; clear straw off the bars".to_owned());
    let scenes = [
        width("sure.jpg", (46.0, 48.0)),
        width("wide.jpg", (20.0, 90.0)),
        refused,
    ];
    let html = report(&scenes);
    let place = |name: &str| html.find(&format!("<span class=\"file\">{name}")).unwrap();
    assert!(place("refused.jpg") < place("wide.jpg"));
    assert!(place("wide.jpg") < place("sure.jpg"));
    assert!(html.contains("No frame found; clear straw off the bars"));
    assert!(html.contains("3 photos: 2 counted without question, 1 not counted."));
}

#[test]
fn the_same_width_on_more_ground_moves_the_answer_less() {
    let small = named("small.jpg");
    let mut large = named("large.jpg");
    large.count.plot.as_mut().unwrap().area_m2 *= 4.0;
    assert!((doubt(&small.count) / doubt(&large.count) - 4.0).abs() < 1e-9);
}

#[test]
fn pictures_inside_are_the_pictures_given() {
    let mut scene = named("a.jpg");
    scene.add(Kind::Pod, (150.0, 100.0), false, true);
    let made = pictures(
        &scene.photo,
        Some(&scene.plot),
        (&scene.count, None),
        &PictureSettings::default(),
    );
    assert_eq!(made.crops.len(), 1);
    assert!(!made.crops[0].counted);
    let back = image::load_from_memory(&made.small_jpeg).unwrap();
    assert_eq!(back.width().max(back.height()), 720);
    let html = report(&[scene]);
    assert!(html.contains(&crate::report::base64::encode(&made.small_jpeg)));
    assert!(html.contains("left out"));
}

#[test]
fn a_file_that_could_not_be_read_has_its_place_too() {
    let mut scene = named("broken.jpg");
    scene.count.status = Status::Failed;
    scene.count.counts = None;
    scene.count.plot = None;
    scene.count.frame = None;
    scene.count.problem = Some("the file ends early".to_owned());
    let part = PhotoPart {
        count: &scene.count,
        pictures: Pictures::default(),
        said: None,
    };
    let html = confidence_report(&Summary::default(), &ModelName::default(), [part]).unwrap();
    assert!(html.contains("No picture: the file could not be read."));
    assert!(html.contains("The file ends early"));
    assert!(html.contains("1 photo: 1 not read."));
}

/// 47 loose beans (42 to 52) and 7 in pods on a square foot, and one pod alone.
#[test]
fn the_words_of_a_photo_fit_its_numbers() {
    let mut scene = named("a.jpg");
    let html = report(std::slice::from_ref(&scene));
    let counts = scene.count.counts.unwrap();
    let loose = html.split("loose and in pods ").nth(1).unwrap();
    let (estimate, limits) = loose.split_once(" (").unwrap();
    assert_eq!(estimate, "54.0");
    let low =
        54.0 - (counts.beans.estimate - counts.beans.low).hypot(7.0 - counts.beans_in_pods.low);
    assert!(limits.starts_with(&format!("{low:.1} to ")), "{limits:.40}");
    assert!(html.contains(">3</td><td>pods<br>"));
    scene.count.counts.as_mut().unwrap().pods.estimate = 1.2;
    assert!(report(&[scene]).contains(">1</td><td>pod<br>"));
}

#[test]
fn no_photos_still_make_a_page() {
    let html = confidence_report(&Summary::default(), &ModelName::default(), []).unwrap();
    assert!(html.contains("0 photos."));
    assert!(html.contains("<li>None.</li>"));
}

#[test]
fn pictures_shrink_as_photos_grow_in_number() {
    let sizes: Vec<u32> = [1, 60, 100, 400]
        .map(|n| PictureSettings::for_photos(n).small_px)
        .into();
    assert!(sizes.windows(2).all(|w| w[0] > w[1]), "{sizes:?}");
}
