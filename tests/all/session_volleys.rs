//! Are volleys read from any spreadsheet's CSV, and do photos find their volleys?

use jiff::civil::DateTime;
use pockmark::photo::exif::CaptureTime;
use pockmark::session::VolleyTable;
use pockmark::session::pairing::{PhotoFile, PhotoFolder, in_shooting_order, list_photos, pair};
use proptest::prelude::*;

const PLAIN: &str = "volley,photo,shots,speed_mph,speed_spread_mph,setpoint_mph,pocket,note\n\
                     clean wall,a.jpg,0,,,,,\n\
                     1,b.jpg,5,30.2,0.3,30,mid,\"windy, cold\"\n";

#[test]
fn the_same_table_from_any_spreadsheet() {
    let plain = VolleyTable::parse(PLAIN).unwrap();
    assert_eq!(plain.factor_names, ["pocket"]);
    let v = &plain.rows[1];
    assert_eq!((v.volley.as_str(), v.photo.as_deref(), v.shots, v.line), ("1", Some("b.jpg"), 5, 3));
    assert!((v.speed_mps.unwrap() - 30.2 * 0.44704).abs() < 1e-12);
    assert!((v.speed_spread_mps.unwrap() - 0.3 * 0.44704).abs() < 1e-12);
    assert!((v.setpoint_mps.unwrap() - 30.0 * 0.44704).abs() < 1e-12);
    assert_eq!((v.note.as_str(), v.factors["pocket"].as_str()), ("windy, cold", "mid"));
    assert_eq!((plain.rows[0].speed_mps, plain.rows[0].shots), (None, 0));
    let same = [
        format!("\u{FEFF}{}", PLAIN.replace('\n', "\r\n")),
        PLAIN
            .replace("windy, cold", "windy. cold")
            .replace(',', ";")
            .replace("30.2", "30,2")
            .replace("0.3", "0,3")
            .replace("windy. cold", "windy, cold"),
        PLAIN.replace("windy, cold", "windy. cold").replace(',', "\t").replace("windy. cold", "windy, cold"),
        format!("sep=,\n{PLAIN}"),
        PLAIN
            .replace("windy, cold", "windy. cold")
            .replace(',', " , ")
            .replace("windy. cold", "windy, cold")
            .replace(" \"windy", "\"windy"),
        PLAIN.replace("volley,photo", "Volley,Photo").replace("speed_mph", "Speed (mph)"),
        PLAIN.replace("1,b.jpg", "\n , ,,\n\n1,b.jpg"),
    ];
    for text in same {
        let mut found = VolleyTable::parse(&text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        found.rows.iter_mut().zip(&plain.rows).for_each(|(f, p)| f.line = p.line);
        assert_eq!(found, plain, "{text}");
    }
    // Thousandths with a decimal comma are plain when the comma does not separate cells.
    let german = VolleyTable::parse("volley;shots;speed_mps\n1;5;13,487\n").unwrap();
    assert_eq!(german.rows[0].speed_mps, Some(13.487));
    assert_eq!(
        VolleyTable::parse("volley,shots,speed_kmh\n1,5,36\n").unwrap().rows[0].speed_mps.map(|v| (v * 1e9).round()),
        Some(1e10)
    );
}

#[test]
fn values_that_look_alike_are_one() {
    let text = "volley,shots,speed_mph,pocket\n1,5,30,mid x\n2,5,30,mid\u{a0} x\n3,5,30,mid\u{200b} x\u{202e}\n";
    let seen = VolleyTable::parse(text).unwrap();
    assert!(seen.rows.iter().all(|r| r.factors["pocket"] == "mid x"), "{:?}", seen.rows);
}

#[test]
fn factors_that_may_not_be_meant_so_are_told() {
    let notes =
        |rows: &str| VolleyTable::parse(&format!("volley,shots,speed_mph,head,said\n{rows}")).unwrap().factor_notes();
    let found = notes("w,0,,,\n1,5,30,Heron,\n2,5,30,heron,\n3,5,40,Heron,\n");
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].contains("head is written \"Heron\" and \"heron\""), "{found:?}");
    let found = notes("1,5,30,Heron,calm\n2,5,30,Heron,windy\n3,5,40,Heron,dropped one\n4,5,40,Heron,last\n");
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].contains("said is another one in each of the 4 volleys"), "{found:?}");
    assert!(notes("1,5,30,a,x\n2,5,30,b,x\n3,5,30,c,\n").is_empty(), "three setups, once each");
}

#[test]
fn a_copy_takes_no_planned_rows_photo() {
    let text = "volley,shots,speed_mph,setpoint_mph\nw,0,,\n1,5,30,30\nw2,0,,\n2,5,,30\n";
    let t = VolleyTable::parse(text).unwrap();
    let mut all = folder(["a.jpg", "b (1).jpg", "b.jpg"].map(|n| photo(n, "", None)).to_vec());
    all.copies = vec![("b.jpg".into(), "b (1).jpg".into())];
    let p = pair(&t, &all).unwrap();
    assert_eq!(p.volleys.len(), 2, "the wall's photo behind them waits with the planned volley");
    assert!(p.notes.iter().any(|n| n.contains("byte for byte")), "{:?}", p.notes);
    assert!(t.find("2").unwrap().is_planned() && t.find("3").is_none());
    // Where the numbers do not fit, what was left out is said too.
    all.photos.remove(0);
    let e = pair(&t, &all).unwrap_err().to_string();
    assert!(e.contains("1 photo is left") && e.contains("byte for byte"), "{e}");
}

#[test]
fn photos_of_no_row_are_told_to_the_volley_they_lie_before() {
    let all = folder(["1", "2", "3", "4"].map(|n| photo(&format!("{n}.jpg"), &format!("10:0{n}:00"), None)).to_vec());
    let p = pair(&table(&[("1.jpg", 0), ("3.jpg", 5)]), &all).unwrap();
    assert_eq!(p.volleys[1].between, ["2.jpg"]);
    assert!(p.volleys[0].between.is_empty());
    assert!(p.notes[0].contains("2 photos in photos/ belong to no row"), "{:?}", p.notes);
}

#[test]
fn slips_get_line_and_advice() {
    let cases: &[(&str, &[&str])] = &[
        ("", &["empty"]),
        ("volley,shots,speed_mph,pocket\n1,5,30,\"mid\n2,5,30,low\n", &["line 2", "never closes"]),
        ("volley,shots,speed_mph\n", &["no volleys below the header"]),
        ("voley,shots,speed_mph\n1,5,30\n", &["no column volley", "is voley meant?"]),
        ("volley,speed_mph\n1,30\n", &["no column shots"]),
        (
            "volley,shots,speed_mph\n1,5,\n",
            &["line 2 (volley 1)", "5 shots were fired but their speed is blank", "speed_mph"],
        ),
        ("volley,shots\n1,5\n", &["has no column"]),
        ("volley,shots,speed\n1,5,30\n", &["does not say its unit", "speed_mph, speed_kmh or speed_mps"]),
        ("volley,shots,speed_knots\n1,5,30\n", &["does not say its unit"]),
        ("volley,shots,sped_mph\n1,5,30\n", &["sped_mph looks like speed_mph"]),
        ("volley,shots,speed_mph,speed_mps\n1,5,30,13\n", &["two columns, in mph and in m/s"]),
        ("volley,shots,speed_mph,Speed_MPH\n1,5,30,13\n", &["two columns named"]),
        ("volley,shots,speed_mph,status\n1,5,30,x\n", &["column of the results", "status_used"]),
        ("volley,shots,speed_mph\n1,,30\n", &["shots is blank"]),
        ("volley,shots,speed_mph\n1,2.5,30\n", &["shots is 2.5"]),
        ("volley,shots,speed_mph\n1,-2,30\n", &["shots is -2"]),
        ("volley,shots,speed_mph\n1,5,fast\n", &["line 2", "speed_mph"]),
        ("volley,shots,speed_mph\n1,5,30 mph\n", &["line 2", "bare number"]),
        ("volley,shots,speed_mph\n1,5,3000\n", &["outside 0 to 340 m/s"]),
        ("volley,shots,speed_mph\n1,5,0\n", &["speed is 0.0 m/s"]),
        ("volley,shots,speed_mps\n1,5,\"13,487\"\n", &["two ways"]),
        ("volley,shots,speed_mph,speed_spread_mph\n1,5,30,29\n", &["speed_spread", "standard deviation"]),
        ("volley,shots,speed_mph,speed_spread_mph\n1,5,30,-1\n", &["speed_spread"]),
        ("volley,shots,speed_mph\n1,5,30\n2,5,30\n1,5,30\n", &["lines 2 and 4", "volley 1"]),
        ("volley,shots,speed_mph\n,5,30\n", &["names no volley"]),
        ("volley,photo,shots,speed_mph\n1,photos/a.jpg,5,30\n", &["line 2 (volley 1)", "plain file name"]),
        ("volley,photo,shots,speed_mph\n1,..,5,30\n", &["plain file name"]),
        ("volley,photo,shots,speed_mph\n1,C:a.jpg,5,30\n", &["plain file name"]),
        ("volley,photo,shots,speed_mph\n1,..\\a.jpg,5,30\n", &["plain file name"]),
        ("volley,shots,speed_mph\n1,5,30,oops\n", &["line 2 has 4 cells but the header has 3"]),
        ("volley,shots,speed_mph,\n1,5,30,oops\n", &["without a name"]),
        ("volley,shots,speed_mph\n1,5\u{0},30\n", &["not text"]),
    ];
    for (text, parts) in cases {
        let e = VolleyTable::parse(text).expect_err(text).to_string();
        for part in *parts {
            assert!(e.contains(part), "{text:?}: \"{part}\" is not in: {e}");
        }
    }
    let many = format!("volley,shots\n{}", (0..30_000).map(|i| format!("{i},0\n")).collect::<String>());
    assert!(VolleyTable::parse(&many).unwrap_err().to_string().contains("more than 20000 rows"));
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("volleys.csv");
    std::fs::write(&path, vec![b'x'; 5 * 1024 * 1024]).unwrap();
    assert!(VolleyTable::read(&path).unwrap_err().to_string().contains("larger than"));
    std::fs::write(&path, b"volley,shots,note\nw,0,caf\xe9\n").unwrap();
    assert!(VolleyTable::read(&path).unwrap_err().to_string().contains("line 2 is not UTF-8"));
    std::fs::write(&path, b"\xff\xfev\0").unwrap();
    assert!(VolleyTable::read(&path).unwrap_err().to_string().contains("UTF-16"));
}

fn photo(name: &str, time: &str, offset_h: Option<i32>) -> PhotoFile {
    let taken = (!time.is_empty()).then(|| CaptureTime {
        local: format!("2026-05-03T{time}").parse::<DateTime>().unwrap(),
        offset_s: offset_h.map(|h| h * 3600),
    });
    PhotoFile { name: name.to_string(), taken }
}

fn table(rows: &[(&str, u32)]) -> VolleyTable {
    let body: String = rows.iter().enumerate().map(|(i, (p, shots))| format!("v{i},{p},{shots},30\n")).collect();
    VolleyTable::parse(&format!("volley,photo,shots,speed_mph\n{body}")).unwrap()
}

fn folder(photos: Vec<PhotoFile>) -> PhotoFolder {
    PhotoFolder { photos, ..PhotoFolder::default() }
}

fn names(photos: &[PhotoFile]) -> Vec<&str> {
    photos.iter().map(|p| p.name.as_str()).collect()
}

#[test]
fn photos_stand_in_the_order_they_were_shot() {
    // Sub-seconds tell a burst apart; names do not.
    let mut burst =
        [photo("c.jpg", "10:00:00.25", None), photo("a.jpg", "10:00:00.75", None), photo("b.jpg", "10:00:00.5", None)];
    let note = in_shooting_order(&mut burst).unwrap();
    assert_eq!(names(&burst), ["c.jpg", "b.jpg", "a.jpg"]);
    assert!(note.contains("differs from the order of file names"));
    // Two cameras in two zones: 10:00 at +2 was before 09:00 at 0.
    let mut zones = [photo("a.jpg", "09:00:00", Some(0)), photo("b.jpg", "10:00:00", Some(2))];
    in_shooting_order(&mut zones);
    assert_eq!(names(&zones), ["b.jpg", "a.jpg"]);
    // One zone unknown: clocks as they stand, and it is said.
    let mut mixed = [photo("a.jpg", "09:00:00", Some(0)), photo("b.jpg", "10:00:00", None)];
    assert!(in_shooting_order(&mut mixed).unwrap().contains("time zone"));
    assert_eq!(names(&mixed), ["a.jpg", "b.jpg"]);
    // Any photo without time: natural order of names, and it is said.
    let mut unknown =
        [photo("IMG_10.jpg", "09:00:00", None), photo("IMG_9.jpg", "", None), photo("img_8.jpg", "11:00:00", None)];
    assert!(in_shooting_order(&mut unknown).unwrap().contains("IMG_9.jpg"));
    assert_eq!(names(&unknown), ["img_8.jpg", "IMG_9.jpg", "IMG_10.jpg"]);
    // The same second throughout: natural order of names.
    let mut second = [photo("IMG_10.jpg", "09:00:00", None), photo("IMG_9.jpg", "09:00:00", None)];
    assert_eq!(in_shooting_order(&mut second), None);
    assert_eq!(names(&second), ["IMG_9.jpg", "IMG_10.jpg"]);
}

#[test]
fn rows_without_a_photo_take_the_rest_in_order() {
    let all = folder(vec![
        photo("1.jpg", "10:00:00", None),
        photo("2.jpg", "10:01:00", None),
        photo("3.jpg", "10:02:00", None),
    ]);
    let p = pair(&table(&[("", 0), ("", 5), ("", 5)]), &all).unwrap();
    let got: Vec<_> = p.volleys.iter().map(|v| (v.photo.as_str(), v.before.as_deref())).collect();
    assert_eq!(got, [("1.jpg", None), ("2.jpg", Some("1.jpg")), ("3.jpg", Some("2.jpg"))]);
    assert!(p.notes.is_empty() && p.volleys.iter().all(|v| v.problem.is_none()));
    let p = pair(&table(&[("", 0), ("3.jpg", 5), ("", 5)]), &all).unwrap();
    assert_eq!(p.volleys.iter().map(|v| v.photo.as_str()).collect::<Vec<_>>(), ["1.jpg", "3.jpg", "2.jpg"]);
    let told = |i: usize| p.volleys[i].out_of_order.as_deref().unwrap_or_default();
    assert!(told(1).contains("2.jpg (volley v2) was taken after 1.jpg and before 3.jpg"), "{}", told(1));
    assert!(told(2).contains("2.jpg (volley v2) was taken before 3.jpg (volley v1)"), "{}", told(2));

    let e = pair(&table(&[("", 0), ("", 5)]), &all).unwrap_err().to_string();
    for part in ["2 rows", "3 photos", "line 2 volley v0  |  1.jpg (2026-05-03 10:00:00)", "-  |  3.jpg"] {
        assert!(e.contains(part), "\"{part}\" is not in: {e}");
    }
    let with_phone = PhotoFolder { unreadable: vec!["4.HEIC".into()], ..all.clone() };
    assert!(
        pair(&table(&[("", 0), ("", 5), ("", 5)]), &with_phone).unwrap_err().to_string().contains("Most Compatible")
    );
}

#[test]
fn a_wiped_wall_starts_anew_and_a_first_volley_needs_a_wall() {
    let all = folder(["a", "b", "c", "d"].map(|n| photo(&format!("{n}.jpg"), "", None)).to_vec());
    let p = pair(&table(&[("a.jpg", 5), ("b.jpg", 5), ("c.jpg", 0), ("d.jpg", 5)]), &all).unwrap();
    let before: Vec<_> = p.volleys.iter().map(|v| v.before.as_deref()).collect();
    assert_eq!(before, [None, Some("a.jpg"), None, Some("c.jpg")]);
    assert!(p.volleys[0].problem.as_deref().unwrap().contains("shots = 0"));
    assert!(p.volleys[1..].iter().all(|v| v.problem.is_none()));
}

#[test]
fn a_named_photo_that_is_not_there_gets_a_hint() {
    let mut all = folder(vec![photo("IMG_1.JPG", "", None), photo("b.png", "", None), photo("spare.jpg", "", None)]);
    all.unreadable.push("c.heic".into());
    for (name, part) in [
        ("img_1.jpg", "there is IMG_1.JPG; write it with the same capitals"),
        ("b.jpg", "there is b.png; write that"),
        ("c.jpg", "HEIC"),
        ("d.heic", "Most Compatible"),
        ("notes.txt", "photos end in jpg"),
        ("spaer.jpg", "is spare.jpg meant?"),
        ("entirely-different.jpg", "there are IMG_1.JPG, b.png, spare.jpg"),
    ] {
        let e = pair(&table(&[(name, 5)]), &all).unwrap_err().to_string();
        assert!(e.contains("line 2 (volley v0)") && e.contains(part), "{name}: {e}");
    }
    let e = pair(&table(&[("b.png", 0), ("b.png", 5)]), &all).unwrap_err().to_string();
    assert!(e.contains("line 3") && e.contains("earlier row"), "{e}");
    let p = pair(&table(&[("b.png", 0)]), &all).unwrap();
    assert!(p.notes[0].contains("2 photos in photos/ belong to no row"), "{:?}", p.notes);
    let timed = folder(vec![photo("1.jpg", "10:00:00", None), photo("2.jpg", "10:01:00", None)]);
    let p = pair(&table(&[("2.jpg", 0), ("1.jpg", 5)]), &timed).unwrap();
    let says = p.volleys[1].out_of_order.as_deref().unwrap();
    assert!(says.contains("1.jpg (volley v1) was taken before 2.jpg (volley v0)"), "{says}");
    assert!(
        p.volleys[1].problem.as_deref() == Some(says) && p.notes.is_empty(),
        "clock and counter agree: {:?}",
        p.notes
    );
}

/// Which of the rows' volleys (by their place) contradict the times, and which of them have no answer; names with a w are the wall's.
fn contradicted(rows: &[(&str, &str)]) -> (Vec<usize>, Vec<usize>, Vec<String>) {
    let shots = |n: &str| if n.contains('w') { 0 } else { 5 };
    let named: Vec<(&str, u32)> = rows.iter().map(|(n, _)| (*n, shots(n))).collect();
    let p = pair(&table(&named), &folder(rows.iter().map(|(n, t)| photo(n, t, None)).collect())).unwrap();
    let which = |f: &dyn Fn(usize) -> bool| (0..rows.len()).filter(|i| f(*i)).collect::<Vec<_>>();
    let failed = which(&|i| p.volleys[i].out_of_order.is_some() && p.volleys[i].problem.is_some());
    (which(&|i| p.volleys[i].out_of_order.is_some()), failed, p.notes)
}

#[test]
fn rows_out_of_shooting_order_are_told_to_every_volley_that_they_concern() {
    let wall = ("i0w.jpg", "10:00:00");
    let [one, two, three, four] =
        [("i1.jpg", "10:04:00"), ("i2.jpg", "10:08:00"), ("i3.jpg", "10:12:00"), ("i4.jpg", "10:16:00")];
    let none = (vec![], vec![], vec![]);
    assert_eq!(contradicted(&[wall, one, two, three, four]), none);
    // Two rows changed places: the one before shows another volley's marks, the next has its photo before too late, the last too early.
    assert_eq!(contradicted(&[wall, one, three, two, four]), (vec![2, 3, 4], vec![3], vec![]));
    assert_eq!(contradicted(&[wall, four, three, two, one]), (vec![1, 2, 3, 4], vec![2, 3, 4], vec![]));
    // A wipe that stands too late, and photos without a time or of one minute, which say nothing.
    let wipe = ("i2w.jpg", "10:06:00");
    assert_eq!(contradicted(&[wall, one, two, wipe, three]), (vec![2, 4], vec![], vec![]));
    let (blank, same) = (("i2.jpg", ""), ("i2.jpg", "10:04:00"));
    assert_eq!(contradicted(&[wall, one, blank, three, four]), none);
    assert_eq!(contradicted(&[wall, one, same, three, four]), none);
    assert_eq!(contradicted(&[wall, three, blank, one, four]), (vec![1, 2, 3, 4], vec![], vec![]));
    // The clock was set back by an hour in the middle of a day whose names go on: one pair knows nothing; by some minutes: all that it covers.
    let hour = [("i3.jpg", "09:12:00"), ("i4.jpg", "09:16:00"), ("i5.jpg", "10:02:00")];
    assert_eq!(contradicted(&[wall, one, two, hour[0], hour[1], hour[2]]), (vec![3], vec![], vec![]));
    let minutes = [("i3.jpg", "10:06:00"), ("i4.jpg", "10:10:00")];
    assert_eq!(contradicted(&[wall, one, two, minutes[0], minutes[1]]), (vec![2, 3, 4], vec![], vec![]));
    // No volley looks across it: it is only said.
    let (told, _, notes) =
        contradicted(&[wall, ("i5.jpg", "11:00:00"), ("i8w.jpg", "10:10:00"), ("i9.jpg", "10:30:00")]);
    assert!(
        told.is_empty() && notes[0].contains("line 4 of volleys.csv: i8w.jpg (volley v2) was taken before"),
        "{told:?} {notes:?}"
    );
}

#[test]
fn a_folder_is_listed_without_what_is_no_photo() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["IMG_10.jpg", "IMG_9.JPEG", ".hidden.jpg", "._IMG_9.JPEG", "notes.txt", "x.HEIC", "y.TIF", "Thumbs.db"]
    {
        std::fs::write(dir.path().join(name), b"").unwrap();
    }
    std::fs::create_dir(dir.path().join("folder.jpg")).unwrap();
    let found = list_photos(dir.path()).unwrap();
    assert_eq!(names(&found.photos), ["IMG_9.JPEG", "IMG_10.jpg", "y.TIF"]);
    assert_eq!(found.unreadable, ["x.HEIC"]);
    assert!(list_photos(&dir.path().join("none")).unwrap_err().to_string().contains("no such file or folder"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn any_text_is_read_or_refused(text in "(volley|photo|shots|speed_mph|[,;\t\"\n\r]|[0-9.]{1,3}|\\PC){0,60}") {
        let _ = VolleyTable::parse(&text);
    }

    #[test]
    fn pairing_gives_every_row_a_photo_of_its_own_or_refuses(
        named in proptest::collection::vec(proptest::option::of(0usize..8), 1..8),
        shots in proptest::collection::vec(0u32..3, 8),
        there in proptest::collection::vec((0u32..5, proptest::bool::ANY), 0..8),
    ) {
        let rows: Vec<(String, u32)> = named.iter().zip(&shots).map(|(n, s)| (n.map_or(String::new(), |n| format!("{n}.jpg")), *s)).collect();
        let rows: Vec<(&str, u32)> = rows.iter().map(|(n, s)| (n.as_str(), *s)).collect();
        let photos = there.iter().enumerate()
            .map(|(i, (minute, timed))| photo(&format!("{i}.jpg"), &if *timed { format!("10:0{minute}:00") } else { String::new() }, None))
            .collect();
        let all = folder(photos);
        if let Ok(p) = pair(&table(&rows), &all) {
            let mut used: Vec<&str> = p.volleys.iter().map(|v| v.photo.as_str()).collect();
            prop_assert!(used.iter().all(|u| all.photos.iter().any(|f| f.name == *u)));
            used.sort_unstable();
            used.dedup();
            prop_assert_eq!(used.len(), rows.len());
            for (i, v) in p.volleys.iter().enumerate() {
                let expected = if v.row.shots == 0 || i == 0 { None } else { Some(p.volleys[i - 1].photo.clone()) };
                prop_assert_eq!(&v.before, &expected);
            }
        }
    }
}
