//! A camera that was held another way up for some photos: is it the same lens, and does the day come out the same?
//!
//! The same stored pixels with another Exif orientation are what a camera writes that was turned about its lens's axis: nothing else changes.

use std::fs;
use std::path::Path;

use crate::common::{pockmark, session};

const VOLLEYS: usize = 3;
/// Half a pixel would be 0.8 mm. Corners are found again within thousandths of a pixel of 1.5 mm, marks on a grid of cells that lies otherwise.
const SAME_MM: f64 = 0.25;
const SAME_PX: f64 = 0.15;
/// u may differ by this share: in a turned photo sheets are searched everywhere, so that it may be placed by one more of them.
const SAME_U: f64 = 0.1;

/// Writes another orientation into a photo's Exif block; the renderer's are big-endian. Source: Exif 2.32, tag 0x0112, type 3 (SHORT), count 1.
fn hold(path: &Path, orientation: u8) {
    let mut file = fs::read(path).unwrap();
    let entry = [0x01, 0x12, 0, 3, 0, 0, 0, 1, 0];
    let at = file.windows(entry.len()).position(|w| w == entry).unwrap() + entry.len();
    file[at] = orientation;
    fs::write(path, file).unwrap();
}

fn photos(dir: &Path) -> Vec<std::path::PathBuf> {
    let mut all: Vec<_> = fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()).collect();
    all.sort();
    all
}

/// Calibrates and runs; what the run said, and the marks as (volley, [x mm, y mm, u mm, px across, px down]).
fn marks(dir: &Path) -> (String, Vec<(String, [f64; 5])>) {
    let [_, said] = ["calibrate", "run"].map(|command| {
        let ended = pockmark(dir.parent().unwrap(), [command.as_ref(), dir.as_os_str()]);
        assert!([0, 3].contains(&ended.code), "{command}: {}{}", ended.out, ended.err);
        ended.out
    });
    let table = fs::read_to_string(dir.join("results/shots.csv")).unwrap();
    let mut lines = table.lines();
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let column = |n: &str| names.iter().position(|c| *c == n).unwrap();
    let wanted = ["x_mm", "y_mm", "x_u_mm", "px_x", "px_y"].map(column);
    let (volley, lines) = (column("volley"), lines.map(|l| l.split(',').collect::<Vec<_>>()));
    (said, lines.map(|l| (l[volley].to_string(), wanted.map(|c| l[c].parse().unwrap()))).collect())
}

#[test]
fn photos_of_a_camera_that_was_turned_give_the_same_marks() {
    let folder = tempfile::tempdir().unwrap();
    let upright = folder.path().join("upright");
    session::render(&upright, 8, 1.0, VOLLEYS);
    let turned = session::copy(&upright, &folder.path().join("turned"));
    // One photo of the sheets lies on its side; the first volley's photos on the other side, the third's on their head.
    let sheets = photos(&turned.join("calibration"));
    let (width, height) = image::image_dimensions(&sheets[0]).unwrap();
    hold(sheets.iter().find(|p| !p.to_string_lossy().contains("tripod")).unwrap(), 8);
    let all = photos(&turned.join("photos"));
    assert_eq!(all.len(), VOLLEYS + 1);
    for (photo, orientation) in all.iter().zip([6, 6, 3, 3]) {
        hold(photo, orientation);
    }
    let ((_, was), (said, is)) = (marks(&upright), marks(&turned));
    // Between them, photos before and after do not lie alike.
    assert!(said.contains("the camera was held another way up than for"), "{said}");
    let was: Vec<_> = was.into_iter().filter(|m| m.0 != "2").collect();
    assert!(["1", "3"].iter().all(|v| was.iter().filter(|m| m.0 == *v).count() > 3), "{was:?}");
    assert_eq!(was.len(), is.len(), "{was:?} {is:?}");
    for (a, b) in was.iter().zip(&is) {
        assert_eq!(a.0, b.0);
        let ([x, y, u, px, py], [tx, ty, tu, tpx, tpy]) = (a.1, b.1);
        assert!((x - tx).hypot(y - ty) < SAME_MM, "{a:?} {b:?}");
        assert!((tu / u - 1.0).abs() < SAME_U, "{a:?} {b:?}");
        // Pixels are told in each photo as it stands upright.
        let (w, h) = (f64::from(width) - 1.0, f64::from(height) - 1.0);
        let want = if a.0 == "1" { [h - py, px] } else { [w - px, h - py] };
        assert!((tpx - want[0]).hypot(tpy - want[1]) < SAME_PX, "{a:?} {b:?}");
    }
}
