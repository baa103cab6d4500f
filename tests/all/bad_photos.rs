//! Does any photo, however broken, end in a picture or in one sentence: no panic, no hang, no memory without bounds?

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use crate::common::mutate::{cases, damage, mend_png, seeded};
use exif::{Field, In, Rational, Tag, Value};
use image::{DynamicImage, GrayImage, ImageFormat, RgbImage};
use pockmark::photo::decode::MOST_PIXELS;
use pockmark::photo::{decode_gray, decode_rgb, read_exif};
use pockmark::sheet::{SheetGeometry, SheetSet, find_sheets_thoroughly};
use rand::{Rng, RngExt};

/// Longest that a broken photo may keep the program busy.
const LONGEST: Duration = Duration::from_secs(10);
/// Most memory of the whole program while it looks at the worst photos, kB: the largest photo that is decoded has
/// 120 MP, 16 bits and four channels (0.96 GB), and its RGB (0.36 GB); two workers, code and stacks.
const MOST_KB: u64 = 4_000_000;
/// Larger pictures are not searched for sheets in the loop of damages; one is in the test of the worst.
const SEARCHED_PIXELS: u32 = 1_000_000;
const SEED: u64 = 5;

fn good_photos() -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/photos");
    let mut all: Vec<(String, Vec<u8>)> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .map(|p| (p.file_name().unwrap().to_str().unwrap().to_string(), fs::read(&p).unwrap()))
        .collect();
    all.sort();
    all
}

/// What the program does with a photo: a sentence, or none when it could be read.
fn look(path: &Path) -> Option<String> {
    let exif = read_exif(path).map_err(|e| e.to_string());
    let turn = exif.as_ref().ok().and_then(|e| e.orientation).unwrap_or(1);
    let gray = decode_gray(path, turn);
    let rgb = decode_rgb(path, turn);
    assert_eq!(gray.is_ok(), rgb.is_ok(), "read as grey but not as colour, or the other way: {}", path.display());
    match (exif, gray, rgb) {
        (Ok(_), Ok(gray), Ok(rgb)) => {
            assert_eq!(gray.dimensions(), rgb.dimensions());
            assert!(u64::from(gray.width()) * u64::from(gray.height()) <= MOST_PIXELS);
            if gray.width() * gray.height() <= SEARCHED_PIXELS {
                find_sheets_thoroughly(&gray, &SheetSet::from(SheetGeometry::of_square(60.0)));
            }
            None
        }
        (Err(e), ..) => Some(e),
        (_, Err(e), _) | (.., Err(e)) => Some(e.to_string()),
    }
}

/// Time that this thread has been at work: a machine busy with something else is no hang. By the clock where the system does not tell.
fn busy(began: Instant) -> Duration {
    let told = fs::read_to_string("/proc/thread-self/schedstat").ok();
    let ns = told.and_then(|t| t.split(' ').next()?.parse().ok());
    ns.map_or_else(|| began.elapsed(), Duration::from_nanos)
}

/// Looks at a photo; fails on a panic, a hang or a sentence that is none.
fn survives(path: &Path, what: &str) -> (bool, Duration) {
    let began = Instant::now();
    let before = busy(began);
    let said = catch_unwind(AssertUnwindSafe(|| look(path)));
    let took = busy(began).saturating_sub(before);
    let said = said.unwrap_or_else(|_| panic!("{what}: panicked"));
    assert!(took < LONGEST, "{what}: took {took:?}");
    if let Some(text) = &said {
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(text.contains(name) && text.len() < 600, "{what}: \"{text}\" does not name the photo in a sentence");
        assert!(!text.contains('\n'), "{what}: more than one line: {text}");
    }
    (said.is_none(), took)
}

/// An Exif block of fields that a camera writes, with values that none would: of another type, huge, empty, zero below the line.
fn odd_exif(rng: &mut impl Rng) -> Vec<u8> {
    let numbers = [0, 1, 6, 8, 9, 0xFFFF, u32::MAX];
    let texts = [
        "",
        " ",
        "Barn Owl 3",
        "0000:00:00 00:00:00",
        "2026:13:41 25:61:61",
        "2026:05:03 14:08:09",
        "+99:99",
        "é\u{202e}",
    ];
    let tags = [
        Tag::Make,
        Tag::Orientation,
        Tag::DateTimeOriginal,
        Tag::SubSecTimeOriginal,
        Tag::OffsetTimeOriginal,
        Tag::FocalLength,
        Tag::FocalLengthIn35mmFilm,
        Tag::DigitalZoomRatio,
        Tag::SubjectDistance,
        Tag::PixelXDimension,
    ];
    let fields: Vec<Field> = tags
        .into_iter()
        .map(|tag| {
            let n = numbers[rng.random_range(0..numbers.len())];
            let text = texts[rng.random_range(0..texts.len())].as_bytes().to_vec();
            let value = match rng.random_range(0..7) {
                0 => Value::Short(vec![n as u16]),
                1 => Value::Long(vec![n; rng.random_range(0..3)]),
                2 => Value::Rational(vec![Rational { num: n, denom: numbers[rng.random_range(0..numbers.len())] }]),
                3 => Value::Double(vec![[f64::NAN, f64::INFINITY, -1.0, 1e308][rng.random_range(0..4)]]),
                4 => Value::Ascii(vec![text; rng.random_range(0..3)]),
                5 => Value::Undefined(vec![n as u8; rng.random_range(0..9)], 0),
                _ => Value::Ascii(vec![text.repeat(rng.random_range(1..500))]),
            };
            Field { tag, ifd_num: In::PRIMARY, value }
        })
        .collect();
    let mut writer = exif::experimental::Writer::new();
    fields.iter().for_each(|f| writer.push_field(f));
    let mut block = std::io::Cursor::new(Vec::new());
    writer.write(&mut block, rng.random()).unwrap();
    let block = block.into_inner();
    if rng.random() { damage(rng, &block, &[]) } else { block }
}

/// A JPEG or PNG with an Exif block before everything else; other files as they are.
fn with_exif(file: &[u8], block: &[u8]) -> Vec<u8> {
    let mut bytes = file.to_vec();
    if file.starts_with(&[0xFF, 0xD8]) {
        let length = u16::try_from(block.len() + 8).unwrap().to_be_bytes();
        bytes.splice(2..2, [&[0xFF, 0xE1][..], &length, b"Exif\0\0", block].concat());
    } else if file.starts_with(b"\x89PNG") {
        // Behind the 8 bytes of the signature and the 25 of the header.
        let length = u32::try_from(block.len()).unwrap().to_be_bytes();
        bytes.splice(33..33, [&length, &b"eXIf"[..], block, &[0; 4]].concat());
        mend_png(&mut bytes);
    }
    bytes
}

/// Damaged photos; how many could be read all the same, and the longest time.
fn damaged(count: u64) -> (u64, Duration) {
    let good = good_photos();
    let folder = tempfile::tempdir().unwrap();
    let endings = ["jpg", "png", "tif", "webp", "JPEG"];
    let (mut read, mut longest) = (0, Duration::ZERO);
    for case in 0..count {
        let mut rng = seeded(SEED, case);
        let (name, bytes) = &good[rng.random_range(0..good.len())];
        let (_, other) = &good[rng.random_range(0..good.len())];
        // One in three says odd things of itself; half of those are sound otherwise.
        let odd = rng.random_bool(0.33).then(|| with_exif(bytes, &odd_exif(&mut rng)));
        let mut broken = match odd {
            Some(odd) if rng.random() => odd,
            odd => damage(&mut rng, odd.as_deref().unwrap_or(bytes), other),
        };
        if name.ends_with("png") && rng.random_bool(0.7) {
            mend_png(&mut broken);
        }
        // One in five bears another format's ending.
        let own = name.rsplit('.').next().unwrap();
        let ending = if rng.random_bool(0.2) { endings[rng.random_range(0..endings.len())] } else { own };
        let path = folder.path().join(format!("broken.{ending}"));
        fs::write(&path, &broken).unwrap();
        let (ok, took) = survives(&path, &format!("case {case} ({name})"));
        read += u64::from(ok);
        longest = longest.max(took);
        fs::remove_file(&path).unwrap();
    }
    (read, longest)
}

#[test]
fn photos_of_every_kind_are_read() {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in good_photos() {
        let path = folder.path().join(&name);
        fs::write(&path, bytes).unwrap();
        assert_eq!(look(&path), None, "{name}");
        // All sixteen-bit, CMYK, progressive ... files show the same sheet, or a smaller picture of it.
        let mean = decode_gray(&path, 1).unwrap().pixels().map(|p| f64::from(p.0[0])).sum::<f64>();
        let (w, h) = decode_gray(&path, 1).unwrap().dimensions();
        let mean = mean / f64::from(w * h);
        assert!((155.0..172.0).contains(&mean), "{name}: mean {mean}");
    }
}

#[test]
fn damaged_photos_end_in_a_picture_or_a_sentence() {
    let count = cases(400);
    let (read, longest) = damaged(count);
    println!("{read} of {count} damaged photos were read all the same; the longest took {longest:?}");
    // Neither all nor none: then nothing was damaged, or nothing reached the decoders.
    assert!(read > count / 50 && read < count * 9 / 10, "{read} of {count}");
}

#[test]
#[ignore = "long: ten thousand damaged photos"]
fn ten_thousand_damaged_photos() {
    let (read, longest) = damaged(10_000);
    println!("{read} of 10000 damaged photos were read all the same; the longest took {longest:?}");
    if let Ok(status) = fs::read_to_string("/proc/self/status") {
        let peak = status.lines().find(|l| l.starts_with("VmHWM")).unwrap_or("");
        println!("peak memory: {peak}");
    }
}

fn png(width: u32, height: u32) -> Vec<u8> {
    encoded(&DynamicImage::ImageLuma8(GrayImage::from_pixel(width, height, image::Luma([130]))), ImageFormat::Png)
}

fn encoded(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut out = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut out, format).unwrap();
    out.into_inner()
}

/// A PNG that states another size than it holds.
fn stating(width: u32, height: u32) -> Vec<u8> {
    let mut bytes = png(16, 16);
    bytes[16..20].copy_from_slice(&width.to_be_bytes());
    bytes[20..24].copy_from_slice(&height.to_be_bytes());
    mend_png(&mut bytes);
    bytes
}

/// The same for a JPEG, whose frame header stands behind its marker.
fn jpeg_stating(from: &[u8], width: u16, height: u16) -> Vec<u8> {
    let mut bytes = from.to_vec();
    let at = bytes.windows(2).position(|w| w == [0xFF, 0xC0] || w == [0xFF, 0xC2]).unwrap();
    bytes[at + 5..at + 7].copy_from_slice(&height.to_be_bytes());
    bytes[at + 7..at + 9].copy_from_slice(&width.to_be_bytes());
    bytes
}

/// A progressive JPEG whose first scan (or last, which refines) comes again and again.
fn many_scans(progressive: &[u8], first: bool, times: usize) -> Vec<u8> {
    let scans: Vec<usize> =
        progressive.windows(2).enumerate().filter(|(_, w)| *w == [0xFF, 0xDA]).map(|(i, _)| i).collect();
    let from = if first { scans[0] } else { scans[scans.len() - 1] };
    let marker = |w: &[u8]| w[0] == 0xFF && !matches!(w[1], 0 | 0xD0..=0xD7);
    let to = from + 2 + progressive[from + 2..].windows(2).position(marker).unwrap();
    let mut bytes = progressive[..to].to_vec();
    for _ in 0..times {
        bytes.extend_from_slice(&progressive[from..to]);
    }
    bytes.extend_from_slice(&progressive[to..]);
    bytes
}

/// Photos that ask for far more than they hold, and other oddities; whether each can be read.
fn worst() -> Vec<(&'static str, Vec<u8>, Option<bool>)> {
    let good = good_photos();
    let named = |n: &str| good.iter().find(|(name, _)| name == n).map(|g| g.1.clone()).unwrap();
    let (jpeg, progressive) = (named("baseline.jpg"), named("progressive.jpg"));
    let wide =
        encoded(&DynamicImage::ImageRgb8(RgbImage::from_pixel(65_500, 9, image::Rgb([9, 99, 200]))), ImageFormat::Jpeg);
    let tiff = named("plain.tif");
    let mut long_folder = tiff.clone();
    let folder_at = u32::from_le_bytes([tiff[4], tiff[5], tiff[6], tiff[7]]) as usize;
    long_folder[folder_at..folder_at + 2].copy_from_slice(&[0xFF, 0xFF]);
    let mut looping = tiff.clone();
    let entries = usize::from(u16::from_le_bytes([tiff[folder_at], tiff[folder_at + 1]]));
    let next = folder_at + 2 + 12 * entries;
    looping[next..next + 4].copy_from_slice(&tiff[4..8]);
    vec![
        ("one-pixel.png", png(1, 1), Some(true)),
        ("one-pixel.jpg", encoded(&DynamicImage::ImageRgb8(RgbImage::new(1, 1)), ImageFormat::Jpeg), Some(true)),
        ("one-row.png", png(65_500, 1), Some(true)),
        ("one-column.png", png(1, 65_500), Some(true)),
        ("wide.jpg", wide, Some(true)),
        ("large-but-honest.png", png(10_000, 10_000), Some(true)),
        ("bomb.png", png(11_000, 11_000), Some(false)),
        ("states-too-much.png", stating(65_500, 65_500), Some(false)),
        ("states-most.png", stating(u32::MAX, u32::MAX), Some(false)),
        ("states-nothing.png", stating(0, 16), Some(false)),
        ("cut-at-once.png", stating(10_900, 10_900), Some(false)),
        ("states-too-much.jpg", jpeg_stating(&jpeg, 65_500, 65_500), Some(false)),
        ("states-much.jpg", jpeg_stating(&jpeg, 10_900, 10_900), None),
        ("states-much-progressive.jpg", jpeg_stating(&progressive, 10_900, 10_900), None),
        ("states-nothing.jpg", jpeg_stating(&jpeg, 0, 270), Some(false)),
        ("many-scans.jpg", many_scans(&progressive, true, 3000), Some(false)),
        ("fewer-scans.jpg", many_scans(&progressive, true, 60), None),
        ("many-refinements.jpg", many_scans(&progressive, false, 3000), Some(false)),
        ("many-scans-large.jpg", jpeg_stating(&many_scans(&progressive, true, 60), 10_900, 10_900), None),
        ("long-folder.tif", long_folder, None),
        ("looping.tif", looping, None),
        ("a-png.jpg", png(40, 30), Some(true)),
        ("a-jpeg.tif", jpeg.clone(), Some(true)),
        ("two-photos.jpg", [jpeg.clone(), jpeg.clone()].concat(), None),
        ("half.jpg", jpeg[..jpeg.len() / 2].to_vec(), Some(false)),
        ("empty.jpg", Vec::new(), Some(false)),
        ("a-text.jpg", b"volley,photo,shots\n".to_vec(), Some(false)),
        ("a-film.jpg", b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom".to_vec(), Some(false)),
        ("a-phones.jpg", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic".to_vec(), Some(false)),
        ("an-archive.jpg", b"PK\x03\x04\x14\0\0\0\x08\0".to_vec(), Some(false)),
        ("a-gif.jpg", b"GIF89a\xFF\xFF\xFF\xFF\xF7\0\0".to_vec(), Some(false)),
        ("zeros.jpg", vec![0; 100_000], Some(false)),
    ]
}

#[test]
fn the_worst_photos_are_refused_or_read_in_time() {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes, readable) in worst() {
        let path = folder.path().join(name);
        fs::write(&path, bytes).unwrap();
        let (read, took) = survives(&path, name);
        println!("{name}: {} in {took:.1?}", if read { "read" } else { "refused" });
        assert!(readable.is_none_or(|r| r == read), "{name}: read {read}");
    }
}

/// The program itself, on Linux with a limit of memory that the system holds.
#[test]
fn the_program_says_one_sentence_for_each_and_stays_small() {
    let folder = tempfile::tempdir().unwrap();
    let mut paths: Vec<PathBuf> = Vec::new();
    for (name, bytes, _) in worst() {
        paths.push(folder.path().join(name));
        fs::write(paths.last().unwrap(), bytes).unwrap();
    }
    paths.push(folder.path().join("a-folder.jpg"));
    fs::create_dir(paths.last().unwrap()).unwrap();
    paths.push(folder.path().join("missing.jpg"));
    if cfg!(unix) {
        let pipe = folder.path().join("a-pipe.jpg");
        assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        paths.push(pipe);
        paths.push("/dev/zero".into());
    }
    for path in &paths {
        let program = env!("CARGO_BIN_EXE_pockmark");
        let began = Instant::now();
        let output = if cfg!(target_os = "linux") {
            let script = format!("ulimit -v {MOST_KB}; exec \"$0\" \"$@\"");
            Command::new("sh").args(["-c", &script, program, "inspect"]).arg(path).output().unwrap()
        } else {
            Command::new(program).arg("inspect").arg(path).output().unwrap()
        };
        let said = String::from_utf8_lossy(&output.stderr);
        let (took, code) = (began.elapsed(), output.status.code());
        println!("{}: {code:?} in {took:.1?} {}", path.display(), said.trim());
        assert!(matches!(code, Some(0 | 1)), "{}: {code:?}: {said}", path.display());
        assert!(took < LONGEST, "{}: {took:?}", path.display());
        let lines = said.lines().count();
        assert_eq!(lines, usize::from(code == Some(1)), "{}: not one sentence: {said}", path.display());
    }
}
