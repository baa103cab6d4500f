//! From which lens, poses and layout does the adjustment start, when nothing is known?
//!
//! For an assumed focal length, a sheet's homography gives the wall's plane in a photo (its two
//! first columns are the plane's axes seen through the lens; Z. Zhang, *IEEE PAMI* 22, 1330, 2000);
//! the photo's other sheets are put on that plane where their pixels say, and the photo is adjusted by itself. Photos are
//! then chained through the sheets they share. The focal length is tried on a ladder of values, with
//! the one that Exif gives first: the adjustment that fits best wins.

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::bundle::{CornerObs, Free, Knowledge, Solution, State, adjust, corner_on_wall};
use super::lens::Lens;
use super::view::{Pose, WallView};
use crate::points::{PixelPoint, WallPoint};
use crate::sheet::Homography;

/// Focal lengths tried, over the photo's longer side: from 98 deg to 23 deg across.
pub const FOCAL_LADDER: [f64; 6] = [0.45, 0.62, 0.85, 1.15, 1.6, 2.4];
/// Focal lengths this many times apart are starts that have nothing to do with each other: a good fit reaches one end from all
/// of the ladder's first five values, a wrong one stays a thousand times worse, so the nearest two alone are not believed.
pub const FAR_START: f64 = 1.45;
/// Sheets of a photo that are tried as the first one.
const SEEDS: usize = 3;

/// Turn between two views' planes that counts as none, rad: their mirrored twins are mostly some degrees apart.
const SAME_PLANE_RAD: f64 = 5e-3;

/// Can two adjustments of the same corners have ended at the same place? Their costs then agree to a part in a thousand; ends that
/// are not the same mostly differ by factors.
pub fn same_end(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-3 * (a.min(b) + 1.0)
}

/// Are two focal lengths the same to a hundredth? Where photos say little of it, starts end with like costs at focal lengths of their own.
pub fn same_focal(a: f64, b: f64) -> bool {
    (a - b).abs() <= 0.01 * a.abs().min(b.abs())
}

/// Have two adjustments of one photo, of as many corners, ended at the same plane? Their frames are those of their seed sheets, but the plane
/// has one normal.
fn same_view(a: &Solution, b: &Solution) -> bool {
    let normal = |s: &Solution| s.state.poses.first().map(|p| p.rotation * Vector3::z_axis());
    let turn = normal(a).zip(normal(b)).map(|(a, b)| a.angle(&b));
    a.dof == b.dof && same_end(a.cost, b.cost) && turn.is_some_and(|t| t < SAME_PLANE_RAD)
}

/// The pose of a plane from its points (m) and the pixels that show them, by homography; at least four points.
pub fn pose_of_plane(lens: &Lens, points: &[([f64; 2], PixelPoint)]) -> Option<Pose> {
    let pairs: Vec<_> = points.iter().filter_map(|&(w, p)| Some((w, lens.ray_from_pixel(p)?, 1.0))).collect();
    let h = Homography::fit(&pairs)?.0;
    let (c1, c2, c3) = (h.column(0).into_owned(), h.column(1).into_owned(), h.column(2).into_owned());
    let mut s = 2.0 / (c1.norm() + c2.norm());
    // In front of the camera: the plane's points have positive depth.
    let depth: f64 = points.iter().map(|(w, _)| c1.z * w[0] + c2.z * w[1] + c3.z).sum();
    if depth * s < 0.0 {
        s = -s;
    }
    let (r1, r2) = (c1 * s, c2 * s);
    let svd = Matrix3::from_columns(&[r1, r2, r1.cross(&r2)]).svd(true, true);
    let m = svd.u? * svd.v_t?;
    if m.determinant() < 0.0 || !m.iter().all(|v| v.is_finite()) {
        return None;
    }
    Some(Pose { rotation: Rotation3::from_matrix_unchecked(m), translation: c3 * s })
}

/// Turn and shift (turn rad, x m, y m) that carries `from` onto `onto` best.
pub fn rigid(from: &[WallPoint], onto: &[WallPoint]) -> Option<[f64; 3]> {
    let n = from.len().min(onto.len());
    if n < 2 {
        return None;
    }
    let mean = |p: &[WallPoint]| {
        let s = p.iter().take(n).fold((0.0, 0.0), |s, q| (s.0 + q.x_m, s.1 + q.y_m));
        (s.0 / n as f64, s.1 / n as f64)
    };
    let (a, b) = (mean(from), mean(onto));
    let (mut dot, mut cross) = (0.0, 0.0);
    for (p, q) in from.iter().zip(onto) {
        let (px, py, qx, qy) = (p.x_m - a.0, p.y_m - a.1, q.x_m - b.0, q.y_m - b.1);
        dot += px * qx + py * qy;
        cross += px * qy - py * qx;
    }
    let turn = cross.atan2(dot);
    let (s, c) = turn.sin_cos();
    Some([turn, b.0 - (c * a.0 - s * a.1), b.1 - (s * a.0 + c * a.1)])
}

fn sheets_of(corners: &[CornerObs]) -> Vec<usize> {
    let mut s: Vec<usize> = corners.iter().map(|c| c.sheet).collect();
    s.dedup();
    s.sort_unstable();
    s.dedup();
    s
}

/// One photo by itself: its pose and the layout of the sheets that it shows, the seed sheet's cross at
/// the origin and upright. `None` when no sheet gives a start.
fn one_photo(
    lens: &Lens,
    print_of: &[usize],
    corners: &[CornerObs],
    knowledge: &Knowledge,
) -> Option<(Solution, usize)> {
    let mut seeds: Vec<(f64, usize)> = sheets_of(corners)
        .into_iter()
        .filter_map(|s| {
            let own: Vec<_> = corners.iter().filter(|c| c.sheet == s).collect();
            let (mut x0, mut x1, mut y0, mut y1) = (f64::MAX, f64::MIN, f64::MAX, f64::MIN);
            for c in &own {
                (x0, x1) = (x0.min(c.pixel.x_px), x1.max(c.pixel.x_px));
                (y0, y1) = (y0.min(c.pixel.y_px), y1.max(c.pixel.y_px));
            }
            (own.len() >= 4).then_some(((x1 - x0) * (y1 - y0), s))
        })
        .collect();
    seeds.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut best: Option<(Solution, usize)> = None;
    for &(_, seed) in seeds.iter().take(SEEDS) {
        let own: Vec<_> = corners.iter().filter(|c| c.sheet == seed).copied().collect();
        let points: Vec<_> = own.iter().map(|c| ([c.across_m, c.up_m], c.pixel)).collect();
        let Some(pose) = pose_of_plane(lens, &points) else { continue };
        let view = WallView { lens: *lens, pose };
        let mut state = State::flat(*lens, print_of, vec![pose]);
        let mut usable: Vec<CornerObs> = Vec::new();
        for s in sheets_of(corners) {
            let theirs: Vec<_> = corners.iter().filter(|c| c.sheet == s).copied().collect();
            if s != seed {
                let seen: Option<Vec<WallPoint>> = theirs.iter().map(|c| view.wall_from_pixel(c.pixel)).collect();
                let drawn: Vec<_> = theirs.iter().map(|c| WallPoint::new(c.across_m, c.up_m)).collect();
                let Some([turn, x, y]) = seen.and_then(|p| rigid(&drawn, &p)) else { continue };
                state.sheets[s] = [x, y, turn];
            }
            usable.extend(theirs);
        }
        let free = Free { sheets_but: Some(seed), ..Free::poses_only() };
        let mut bare = knowledge.clone();
        (bare.tapes, bare.level, bare.plumb) = (Vec::new(), None, None);
        bare.upright_rad = Some((0.0, 1e-3));
        let solution = adjust(&state, &free, &[usable], &bare, 40);
        let again = best.as_ref().is_some_and(|b| same_view(&solution, &b.0));
        if best.as_ref().is_none_or(|b| solution.cost < b.0.cost) {
            best = Some((solution, seed));
        }
        if again {
            break;
        }
    }
    best
}

/// A start for all photos with one assumed focal length: poses, layout (the first photo's seed sheet at the
/// origin) and which photos could be chained.
pub fn chain(
    lens: &Lens,
    print_of: &[usize],
    photos: &[Vec<CornerObs>],
    knowledge: &Knowledge,
) -> Option<(State, Vec<bool>)> {
    let singles: Vec<_> = photos.iter().map(|c| one_photo(lens, print_of, c, knowledge)).collect();
    let first = (0..photos.len()).filter(|&i| singles[i].is_some()).max_by_key(|&i| sheets_of(&photos[i]).len())?;
    let mut placed: Vec<Option<[f64; 3]>> = vec![None; print_of.len()];
    let mut poses: Vec<Option<Pose>> = vec![None; photos.len()];
    let take = |i: usize, t: [f64; 3], placed: &mut Vec<Option<[f64; 3]>>, poses: &mut Vec<Option<Pose>>| {
        let Some((s, _)) = &singles[i] else { return };
        let (sin, cos) = t[0].sin_cos();
        for k in sheets_of(&photos[i]) {
            let [x, y, turn] = s.state.sheets[k];
            placed[k].get_or_insert([cos * x - sin * y + t[1], sin * x + cos * y + t[2], turn + t[0]]);
        }
        // Wall = T local, so that local = T^-1 wall goes in front of the pose.
        let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), t[0]);
        let rotation = s.state.poses[0].rotation * turn.inverse();
        poses[i] = Some(Pose {
            rotation,
            translation: s.state.poses[0].translation - rotation * Vector3::new(t[1], t[2], 0.0),
        });
    };
    take(first, [0.0; 3], &mut placed, &mut poses);
    loop {
        // The photo that shares most corners with what is placed joins next.
        let next = (0..photos.len())
            .filter(|&i| poses[i].is_none() && singles[i].is_some())
            .map(|i| (photos[i].iter().filter(|c| placed[c.sheet].is_some()).count(), i))
            .max();
        let Some((shared, i)) = next else { break };
        if shared < 4 {
            break;
        }
        let Some((s, _)) = &singles[i] else { break };
        let global = State { sheets: placed.iter().map(|p| p.unwrap_or([0.0; 3])).collect(), ..s.state.clone() };
        let (mut from, mut onto) = (Vec::new(), Vec::new());
        for c in photos[i].iter().filter(|c| placed[c.sheet].is_some()) {
            let (a, b) = (corner_on_wall(&s.state, c).0, corner_on_wall(&global, c).0);
            from.push(WallPoint::new(a.x, a.y));
            onto.push(WallPoint::new(b.x, b.y));
        }
        let Some([turn, x, y]) = rigid(&from, &onto) else { break };
        take(i, [turn, x, y], &mut placed, &mut poses);
    }
    let used: Vec<bool> = poses.iter().map(Option::is_some).collect();
    let anywhere = poses.iter().flatten().next().copied()?;
    let poses = poses.into_iter().map(|p| p.unwrap_or(anywhere)).collect();
    let mut state = State::flat(*lens, print_of, poses);
    state.sheets = placed.into_iter().map(|p| p.unwrap_or([0.0; 3])).collect();
    Some((state, used))
}

/// What the line through two crosses is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line {
    /// Level.
    Level,
    /// Plumb.
    Plumb,
}

/// Carries a whole state into the frame in which `origin`'s cross is (0, 0) and the line through two sheets' crosses is what it
/// is said to be, whichever of the two was named first: the origin sheet hangs the right way up. Without a line it hangs straight.
pub fn into_frame(state: &mut State, origin: usize, line: Option<(usize, usize, Line)>) {
    let [ox, oy, own] = state.sheets[origin];
    let turn = match line {
        Some((a, b, line)) => {
            let (p, q) = (state.sheets[a], state.sheets[b]);
            // Seen from an upright origin sheet the line has about its direction, or the opposite one.
            let seen = (q[1] - p[1]).atan2(q[0] - p[0]) - own;
            let want = match line {
                Line::Level => {
                    if seen.cos() > 0.0 {
                        0.0
                    } else {
                        std::f64::consts::PI
                    }
                }
                Line::Plumb => std::f64::consts::FRAC_PI_2.copysign(seen.sin()),
            };
            want - seen - own
        }
        None => -own,
    };
    let (s, c) = turn.sin_cos();
    for sheet in &mut state.sheets {
        let (x, y) = (sheet[0] - ox, sheet[1] - oy);
        let turned = sheet[2] + turn;
        *sheet = [c * x - s * y, s * x + c * y, turned.sin().atan2(turned.cos())];
    }
    let spin = Rotation3::from_axis_angle(&Vector3::z_axis(), turn);
    for pose in &mut state.poses {
        pose.translation += pose.rotation * Vector3::new(ox, oy, 0.0);
        pose.rotation *= spin.inverse();
    }
}
