//! Does session.toml mean what the person wrote, and do slips get a sentence that helps?

use pockmark::session::new::SESSION_TOML;
use pockmark::session::spec::{AirPressure, DEFAULT_MATTERS_RAD, LAST_SHEET, Level, ReadAt};
use pockmark::session::{Session, SessionSpec};
use proptest::prelude::*;
use std::path::PathBuf;

const DEG: f64 = std::f64::consts::PI / 180.0;

const LEAST: &str = r#"
[machine]
pivot_out = "20 ft 3 in ± 1/4 in"
pivot_up = "-100 mm ± 3 mm"
pivot_right = "1.080 m"
arm = "4 ft ± 1/8 in"
zero = "-10.0 deg ± 0.1 deg"
[ball]
mass = "5.2 oz"
diameter = "63.0 mm ± 0.3 mm"
[air]
temperature = "64 degF ± 2 degF"
altitude = "400 ft ± 100 ft"
[speed]
scale = "0.6 %"
"#;

fn shared() -> Option<PathBuf> {
    let from_env = std::env::var_os("POCKMARK_SHARED").map(PathBuf::from);
    let beside = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared");
    from_env.into_iter().chain([beside]).find(|p| p.join("scenes").is_dir())
}

#[test]
fn the_least_session_and_what_is_then_assumed() {
    let s = SessionSpec::parse(LEAST).unwrap();
    assert!((s.machine.pivot_out.value - 243.0 * 0.0254).abs() < 1e-12);
    assert!((s.machine.pivot_out.u - 0.0254 / 8.0).abs() < 1e-12);
    assert!(
        (s.machine.zero.unwrap().value + 10.0 * DEG).abs() < 1e-12
            && (s.machine.zero.unwrap().u - 0.05 * DEG).abs() < 1e-12
    );
    assert!((s.air.temperature.u - 1.0 / 1.8).abs() < 1e-12, "± 2 degF is u = 1 degF, a difference without offset");
    assert!(matches!(s.air.pressure, AirPressure::Altitude(q) if (q.value - 121.92).abs() < 1e-9));
    assert_eq!(s.speed.scale_u, 0.006, "a standard uncertainty is not halved");
    assert_eq!((s.wall.origin_sheet, s.wall.level, s.speed.read_at), (1, Level::OriginSheet, ReadAt::Release));
    assert_eq!((s.study.matters_rad, s.sheets.square_mm), (DEFAULT_MATTERS_RAD, 60.0));
    assert!((s.lean_or_assumed().u - 0.5 * DEG).abs() < 1e-12);
    let exact: Vec<&str> = s.exact_inputs().iter().map(|i| i.key.as_str()).collect();
    assert_eq!(exact, ["machine.pivot_right", "ball.mass"]);
    let assumed: Vec<&str> = s.assumed_inputs().iter().map(|i| i.key).collect();
    for key in
        ["wall.origin_sheet", "wall.printed_bar", "wall.lean", "ball.drag_coefficient", "ball.spin", "air.humidity"]
    {
        assert!(assumed.contains(&key), "{key} not in {assumed:?}");
    }
}

#[test]
fn everything_that_may_be_written() {
    let text = LEAST
        .replace("altitude = \"400 ft ± 100 ft\"", "pressure = \"29.9 inHg ± 0.1 inHg\"\nhumidity = \"50 % ± 10 %\"")
        .replace("[speed]", "[speed]\nread_at = \"1.5 m ± 5 cm\"")
        .replace("diameter = \"63.0", "spin = \"300 rpm ± 60 rpm\"\ndrag_coefficient = 0.45\ndiameter = \"63.0")
        + r#"
[wall]
origin_sheet = 2
plumb_sheets = [2, 3]
printed_bar = "301 mm ± 0.4 mm"
printed_bar_down = "400 mm"
lean = "0.5 deg ± 0.1 deg"
[[wall.tape]]
sheets = [1, 2]
distance = "7 ft 2 1/4 in ± 1/16 in"
[[wall.tape]]
sheets = [2, 3]
distance = "1.5 m ± 1 mm"
[camera]
tripod_photo = "calibration/tripod.jpg"
[study]
matters = "0.5 deg"
reference = { pocket = "mid", mesh = 15 }
[sheets]
square = "120 mm"
[marks]
smallest = "20 mm"
largest = "1 3/8 in"
"#;
    let s = SessionSpec::parse(&text).unwrap();
    assert_eq!((s.wall.origin_sheet, s.wall.level), (2, Level::PlumbSheets([2, 3])));
    assert_eq!(s.wall.tapes.len(), 2);
    assert!((s.wall.tapes[0].distance.value - 86.25 * 0.0254).abs() < 1e-12);
    assert_eq!(s.camera.tripod_photo.as_deref(), Some("calibration/tripod.jpg"));
    assert!(matches!(s.speed.read_at, ReadAt::FromWall(q) if q.value == 1.5 && (q.u - 0.025).abs() < 1e-15));
    assert_eq!(s.study.reference.get("mesh").map(String::as_str), Some("15"));
    assert_eq!(s.ball.drag_coefficient.map(|q| q.value), Some(0.45));
    assert!((s.ball.spin.unwrap().value - 300.0 * std::f64::consts::TAU / 60.0).abs() < 1e-12);
    assert_eq!(s.marks.smallest_m, Some(0.02));
    assert_eq!(s.sheets.square_mm, 120.0);
    // Exact: bar down, two without ± in the least session, and the drag coefficient.
    assert_eq!(s.exact_inputs().len(), 4);
    assert_eq!(SessionSpec::parse(&text.replace('\n', "\r\n")).unwrap(), s);
    assert_eq!(SessionSpec::parse(&format!("\u{FEFF}{text}")).unwrap(), s);
}

#[test]
fn slips_get_line_key_and_advice() {
    let cases: &[(&str, &str, &[&str])] = &[
        ("arm = \"4 ft ± 1/8 in\"", "amr = \"4 ft\"", &["line 6", "no setting amr in [machine]", "did you mean arm?"]),
        ("arm = \"4 ft ± 1/8 in\"", "", &["[machine] arm is missing", "arm = \"1.200 m ± 3 mm\""]),
        ("arm = \"4 ft ± 1/8 in\"", "arm = 1.2", &["line 6", "[machine] arm", "no unit", "write m, cm"]),
        ("arm = \"4 ft ± 1/8 in\"", "arm = 1.2 m", &["line 6", "quotes", "arm = \"1.2 m\""]),
        ("arm = \"4 ft ± 1/8 in\"", "arm = \"4 kg\"", &["line 6", "measures a mass"]),
        ("arm = \"4 ft ± 1/8 in\"", "arm = \"1200 m\"", &["line 6", "outside 5 cm to 10 m"]),
        ("arm = \"4 ft ± 1/8 in\"", "arm = [1]", &["line 6", "is a list"]),
        ("arm = \"4 ft ± 1/8 in\"", "arm = \"1 m\"\narm = \"2 m\"", &["line 7", "once"]),
        ("arm = \"4 ft ± 1/8 in\"", "arm = \"1 m\"\nmass = \"1 kg\"", &["line 7", "mass belongs in [ball]"]),
        ("[ball]", "[bal]", &["line 8", "did you mean ball?"]),
        ("[speed]", "[speed]\nread_at = \"wall\"", &["read_at", "neither \"release\" nor a distance"]),
        ("scale = \"0.6 %\"", "scale = \"0.6 % ± 0.1 %\"", &["scale", "standard uncertainty"]),
        ("scale = \"0.6 %\"", "scale = \"60 %\"", &["outside 0 % to 20 %"]),
        ("scale = \"0.6 %\"", "", &["[speed] scale is missing"]),
        ("altitude", "pressure = \"1008 hPa\"\naltitude", &["altitude", "beside pressure"]),
        ("altitude = \"400 ft ± 100 ft\"", "", &["[air] pressure is missing", "altitude ="]),
        ("[machine]", "[wall]\nlevel_sheets = [1, 1]\n[machine]", &["line 3", "names sheet 1 twice"]),
        ("[machine]", "[wall]\nlevel_sheets = [1, 98]\n[machine]", &["line 3", "from 1 to 97"]),
        ("[machine]", "[wall]\nlevel_sheets = [1]\n[machine]", &["line 3", "level_sheets = [1, 2]"]),
        (
            "[machine]",
            "[wall]\nlevel_sheets = [1, 2]\nplumb_sheets = [1, 3]\n[machine]",
            &["line 4", "beside level_sheets"],
        ),
        ("[machine]", "[wall]\nprinted_bar = \"15 mm\"\n[machine]", &["line 3", "150.0 mm"]),
        ("[machine]", "[[wall.tape]]\nsheets = [1, 2]\n[machine]", &["[wall.tape] distance is missing"]),
        ("[machine]", "[wall.tape]\nsheets = [1, 2]\n[machine]", &["[[wall.tape]]"]),
        ("[machine]", "[camera]\ntripod_photo = \"../../etc/x.jpg\"\n[machine]", &["line 3", "calibration/tripod.jpg"]),
        ("[machine]", "[camera]\ntripod_photo = \"calibration/../x.jpg\"\n[machine]", &["calibration/tripod.jpg"]),
        ("[machine]", "[study]\nreference = \"mid\"\n[machine]", &["line 3", "reference = { pocket = \"mid\" }"]),
        ("[machine]", "[marks]\nsmallest = \"30 mm\"\nlargest = \"20 mm\"\n[machine]", &["larger than largest"]),
        ("[machine]", "[machine", &["line 2", "[wall]"]),
        ("[machine]", "wall = 3\n[machine]", &["line 2", "a section goes here"]),
    ];
    for (old, new, parts) in cases {
        let text = LEAST.replacen(old, new, 1);
        assert_ne!(text, LEAST, "{old}");
        let e = SessionSpec::parse(&text).expect_err(new).to_string();
        for part in *parts {
            assert!(e.contains(part), "{new}: \"{part}\" is not in: {e}");
        }
    }
    for (more, part) in [
        ("[[sheets.board]]\nnumber = 9\n", "square is missing"),
        ("[[sheets.board]]\nnumber = 9\nsquare = \"100 mm\"\ntag = \"95 mm\"\n", "0.95 of the square"),
        ("[[camera.again]]\nnumber = 1\nfrom = \"2\"\n", "calibration-2/"),
        ("[[camera.again]]\nnumber = 2\n", "from is missing"),
    ] {
        let e = SessionSpec::parse(&format!("{LEAST}\n{more}")).expect_err(more).to_string();
        assert!(e.contains(part), "{more}: \"{part}\" is not in: {e}");
    }
    assert_eq!(LAST_SHEET, 97, "587 tags make 97 sheets of 6");
}

#[test]
fn the_example_of_a_new_session_parses_and_opens() {
    let spec = SessionSpec::parse(SESSION_TOML).unwrap();
    assert!(spec.exact_inputs().is_empty(), "the example states every doubt: {:?}", spec.exact_inputs());
    // Every setting that is only shown as a note must be one that is known.
    let all_used: String = SESSION_TOML
        .lines()
        .filter(|l| !l.contains("plumb_sheets") && !l.contains("altitude"))
        .map(|l| {
            let bare = l.strip_prefix("# ").unwrap_or("");
            let setting =
                bare.split_once(" = ").is_some_and(|(k, _)| k.bytes().all(|b| b.is_ascii_lowercase() || b == b'_'));
            if setting || ["[marks]", "[impacts]"].contains(&bare) || bare.starts_with("[[") {
                format!("{bare}\n")
            } else {
                format!("{l}\n")
            }
        })
        .collect();
    let all = SessionSpec::parse(&all_used).unwrap_or_else(|e| panic!("{e}\n{all_used}"));
    assert!(all.ball.spin.is_some() && all.marks.largest_m.is_some() && all.machine.plane_turn.is_some());
    assert_eq!((all.sheets.boards[0].number, all.sheets.boards[0].square.value), (9, 0.12));
    assert!((all.sheets.boards[0].tag_over_square - 0.75).abs() < 1e-12);
    assert_eq!((all.camera.again[0].number, all.camera.again[0].from.as_str()), (2, "7"));
    assert!(all.impacts.tape_scale.is_some() && all.wall.top.is_some());
    assert_eq!(all.study.reference.get("pocket").map(String::as_str), Some("mid"));

    let dir = tempfile::tempdir().unwrap();
    let home = dir.path().join("day one");
    let written = pockmark::session::new_session(&home).unwrap();
    assert_eq!(written.len(), 4);
    let session = Session::open(&home).unwrap();
    assert_eq!(session.volleys.rows.len(), 5);
    assert!(session.notes[0].contains("example's numbers"));
    let before = std::fs::read(home.join("session.toml")).unwrap();
    std::fs::remove_file(home.join("volleys.csv")).unwrap();
    let e = pockmark::session::new_session(&home).unwrap_err().to_string();
    assert!(e.contains("session.toml is there already"), "{e}");
    assert!(!home.join("volleys.csv").exists(), "nothing is written when anything is refused");
    assert_eq!(std::fs::read(home.join("session.toml")).unwrap(), before);
    assert!(Session::open(&home).unwrap_err().to_string().contains("volleys.csv"));
    assert!(Session::open(dir.path()).unwrap_err().to_string().contains("no session.toml"));
}

#[test]
fn a_flights_limits_are_checked_where_the_file_is_read() {
    let with = |after: &str, line: &str| SessionSpec::parse(&LEAST.replace(after, &format!("{after}\n{line}")));
    for (after, line, says) in [
        ("[ball]", "drag_coefficient = \"4.6\"", "\"4.6\" is outside 0 to 2"),
        ("[ball]", "spin = \"12000 rpm\"", "is outside -9500 rpm to 9500 rpm"),
        ("[machine]", "off_tangent = \"60 deg\"", "is outside -45 deg to 45 deg"),
    ] {
        let e = with(after, line).unwrap_err().to_string();
        assert!(e.contains("line ") && e.contains(says), "{e}");
    }
}

#[test]
fn files_that_are_nearly_called_right_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    std::fs::write(at("Session.toml.txt"), LEAST).unwrap();
    let opened = || Session::open(dir.path()).unwrap_err().to_string();
    assert!(opened().contains("Session.toml.txt: rename it"), "{}", opened());
    std::fs::rename(at("Session.toml.txt"), at("session.toml")).unwrap();
    assert!(opened().contains("no volleys.csv") && opened().contains("pockmark plan"), "{}", opened());
    for (name, says) in [
        ("volleys.csv.txt", "there is volleys.csv.txt, which is nearly called so: rename it"),
        ("volley.csv", "there is volley.csv"),
        ("volleys.xlsx", "there is volleys.xlsx: save it as CSV UTF-8"),
    ] {
        std::fs::write(at(name), "").unwrap();
        assert!(opened().contains(says), "{}", opened());
        std::fs::remove_file(at(name)).unwrap();
    }
    // A settings file in another encoding: no spreadsheet program saved it.
    std::fs::write(at("session.toml"), [b"title = \"".as_slice(), b"Caf\xE9\"\n", LEAST.as_bytes()].concat()).unwrap();
    assert!(opened().contains("save the file as plain UTF-8 text") && !opened().contains("CSV"), "{}", opened());
}

#[test]
fn the_reference_must_be_a_setup_that_was_shot() {
    let dir = tempfile::tempdir().unwrap();
    let write = |reference: &str| {
        std::fs::write(dir.path().join("session.toml"), format!("{LEAST}\n[study]\nreference = {{ {reference} }}"))
            .unwrap();
    };
    std::fs::write(dir.path().join("volleys.csv"), "volley,shots,speed_mph,pocket\nw,0,,\n1,5,30,mid\n").unwrap();
    write("pocket = \"mid\"");
    assert!(Session::open(dir.path()).is_ok());
    write("pocket = \"deep\"");
    assert!(Session::open(dir.path()).unwrap_err().to_string().contains("volleys.csv has mid"));
    write("pockt = \"mid\"");
    assert!(Session::open(dir.path()).unwrap_err().to_string().contains("did you mean pocket?"));
}

#[test]
fn shared_sessions_open_and_pair() {
    let Some(shared) = shared() else {
        println!("skipped: no shared scenes here");
        return;
    };
    for name in ["clean-901", "nudge-bare-902", "tight-903"] {
        let session = Session::open(&shared.join("scenes").join(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(session.volleys.rows.len(), 11);
        assert_eq!(session.spec.wall.tapes[0].distance.u, 0.0005);
        assert!(session.tripod_photo().unwrap().is_some());
        let named = session.pair_photos().unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(named.volleys.iter().skip(1).zip(&named.volleys).all(|(v, b)| v.before.as_ref() == Some(&b.photo)));
        // Without the photo column, the time taken leads to the same pairs.
        let mut blank = session.clone();
        blank.volleys.rows.iter_mut().for_each(|r| r.photo = None);
        let timed = blank.pair_photos().unwrap_or_else(|e| panic!("{name}: {e}"));
        let photos = |p: &pockmark::session::Pairing| p.volleys.iter().map(|v| v.photo.clone()).collect::<Vec<_>>();
        assert_eq!(photos(&timed), photos(&named));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn any_text_is_read_or_refused(text in "(\\[|\\]|=|\"|\n|\\.|#|,|\\{|\\}|wall|machine|tape|arm|zero|[0-9 ±a-z\\PC]){0,60}") {
        let _ = SessionSpec::parse(&text);
    }

    #[test]
    fn a_damaged_session_is_read_or_refused(at in 0usize..600, len in 0usize..40, put in "\\PC{0,6}") {
        let chars: Vec<char> = LEAST.chars().collect();
        let at = at.min(chars.len());
        let end = (at + len).min(chars.len());
        let text: String = chars[..at].iter().copied().chain(put.chars()).chain(chars[end..].iter().copied()).collect();
        if let Err(e) = SessionSpec::parse(&text) {
            prop_assert!(!e.to_string().is_empty());
        }
    }
}

#[test]
fn deep_nesting_does_not_overflow() {
    let _ = SessionSpec::parse(&format!("a = {}", "[".repeat(100_000)));
    let _ = SessionSpec::parse(&format!("a = {}", "{a=".repeat(100_000)));
    let _ = SessionSpec::parse(&format!("[{}]", vec!["a"; 50_000].join(".")));
}
