//! What came before one photo and was gone in the next: a ball at the foot of the wall, a leaf, a tool?
//!
//! A mark stays where it is; what lies or stands before the wall goes again. A place that changed between two photos and changed
//! back by the next one is neither's mark: it is hidden in both comparisons, before the marks' looks are learned from them. Only places
//! that both comparisons name can do so ([`super::looks::Spot`]); whether they do is then asked pixel by pixel, since a mark may be beside.
//!
//! Damp prints that dry and marks that somebody wipes off before the next photo come and go as well. Of things the volley's marks tell, which stay
//! beside them: where hardly anything stays, and what went is as much as the shots would mark, all of it darker or all of it paler, it is the marks.

use std::borrow::Cow;
use std::collections::BTreeMap;

use super::looks::{Spot, VolleyLook};
use crate::camera::WallView;
use crate::error::Result;
use crate::marks::patch::RawPatch;
use crate::marks::things::{opened, pieces, spread};
use crate::points::WallPoint;

/// A pixel tells when its light changed by this much, as a log ratio: noise that is in the photo between changes the one way and back, too.
const TELLING: f32 = 0.12;
/// It changed back when this share of that has gone again. Marks that dry or that a broom passes over lose up to half.
const BACK: f32 = 0.7;
/// Added to linear values before the logarithm, as for things that cover the wall.
const FLOOR: f32 = 0.01;
/// Places of two comparisons this near may be one, usual diameters: the clearest change is a ball's bright side when it comes, and may be the
/// shade beside it when it goes.
const NEAR_DIAMETERS: f64 = 3.0;
/// Fewer pixels together than this share of a usual mark's are no thing.
const LEAST_SHARE: f64 = 0.3;
/// Its soft edge and its faint shade are hidden with it, usual radii.
const AROUND_RADII: f64 = 0.7;

/// Where less than this share of what passed stays, and less than this area a shot, usual marks', what passed is the marks. Beside a ball, a fly or a leaf the
/// marks stay, each a third of a usual one's area or more; beside marks that were wiped off, what new ones cover of them.
const STAYS: f64 = 0.4;
const STAYS_A_SHOT: f64 = 0.16;
/// Marks are all darker or all paler than the wall; a thing has a lit side and a shade. This share of what passed may be otherwise.
const OTHER_SIDE: f64 = 0.15;
/// Area of a shot's mark, usual marks': marks that lie on each other show a fifth each, and the widest to expect are half as wide again as usual ones.
const AREA_A_SHOT: (f64, f64) = (0.2, 2.25);
/// A piece of marks that touch is smaller than a ball, which is twice as wide as a usual mark, usual marks.
const LARGEST_PIECE: f64 = 3.0;
/// Of a mark that came and went with others the clearest change may be another's of them: the one is within this factor of the other.
const ALIKE: f32 = 2.0;

/// A comparison with what tells whether another follows it.
pub(super) struct Seen<'a> {
    /// What changed.
    pub look: &'a VolleyLook,
    /// The photo after.
    pub photo: &'a str,
    /// Which calibration holds for it.
    pub wall: usize,
    /// Balls shot.
    pub shots: u32,
}

/// What of a comparison's patches is no mark since it went again, or had come only just before.
#[derive(Clone, Debug, Default)]
pub(super) struct Passed {
    by_patch: BTreeMap<usize, Vec<bool>>,
    /// Something that is no mark did.
    pub things: bool,
    /// The volley's own marks are gone in the next photo. They are not hidden.
    pub own_gone: bool,
    /// The marks of the volley before are gone in this photo.
    pub older_gone: bool,
}

impl Passed {
    /// Whether nothing is hidden.
    fn is_empty(&self) -> bool {
        self.by_patch.is_empty()
    }

    /// The patches with what passed masked.
    pub fn hide<'a>(&self, mut patches: Cow<'a, [RawPatch]>) -> Cow<'a, [RawPatch]> {
        if self.is_empty() {
            return patches;
        }
        for (i, mask) in &self.by_patch {
            if let Some(p) = patches.to_mut().get_mut(*i) {
                p.masked.iter_mut().zip(mask).for_each(|(masked, passed)| *masked |= passed);
            }
        }
        patches
    }

    /// The same, and these pixels of patches (by number) too.
    pub fn and(&self, found: Vec<(usize, Vec<bool>)>) -> Self {
        let mut out = self.clone();
        out.add(found);
        out
    }

    fn add(&mut self, found: Vec<(usize, Vec<bool>)>) {
        for (i, mask) in found {
            let have = self.by_patch.entry(i).or_insert_with(|| vec![false; mask.len()]);
            have.iter_mut().zip(mask).for_each(|(a, b)| *a |= b);
        }
    }
}

/// What passed in each of these comparisons. `radius_mm` is the usual mark's.
///
/// # Errors
/// As for [`VolleyLook::patches`].
pub(super) fn passed(seen: &[Seen], radius_mm: f64) -> Result<Vec<Passed>> {
    let mut out = vec![Passed::default(); seen.len()];
    for (i, first) in seen.iter().enumerate() {
        let follows = |s: &&Seen| s.look.before == first.photo && s.wall == first.wall && !s.look.wiped;
        let Some(k) = seen.iter().skip(i + 1).position(|s| follows(&s)).map(|k| i + 1 + k) else { continue };
        let next = &seen[k];
        // A wiped wall loses its marks, not things.
        if first.look.wiped || !may_have_passed(&first.look.spots, &next.look.spots, radius_mm) {
            continue;
        }
        let (came, went) = (first.look.patches()?, next.look.patches()?);
        let back = changed_back(&came, (&next.look.located.view, &went), radius_mm);
        let gone = changed_back(&went, (&first.look.located.view, &came), radius_mm);
        if are_marks(&came, &back, &out[i], (first.shots, radius_mm)) {
            out[i].own_gone = true;
            out[k].older_gone = true;
        } else {
            out[i].things |= !back.is_empty();
            out[k].things |= !gone.is_empty();
            out[i].add(spaced(&came, back, radius_mm));
        }
        out[k].add(spaced(&went, gone, radius_mm));
    }
    Ok(out)
}

/// Whether something may have: two plain changes lie near each other, and not all plain changes are to one side, dark or pale, as marks' are.
fn may_have_passed(came: &[Spot], went: &[Spot], radius_mm: f64) -> bool {
    let near = 2.0 * NEAR_DIAMETERS * 1e-3 * radius_mm;
    let is_plain = |s: &&Spot| s.change.iter().any(|c| c.abs() > TELLING);
    let is_dark = |s: &Spot| s.change.iter().sum::<f32>() < 0.0;
    let plain = |spots: &'_ [Spot]| spots.iter().filter(is_plain).copied().collect::<Vec<Spot>>();
    let (came, went) = (plain(came), plain(went));
    let dark = came.iter().chain(&went).filter(|s| is_dark(s)).count();
    dark > 0
        && dark < came.len() + went.len()
        && came.iter().any(|a| went.iter().any(|b| (a.at.x_m - b.at.x_m).hypot(a.at.y_m - b.at.y_m) < near))
}

/// Spots of a page, photo by photo, without those that are gone again and those that only show where they were.
pub(super) fn standing(photos: impl Iterator<Item = Vec<Spot>>, radius_mm: f64) -> Vec<Spot> {
    let diameter_m = 2e-3 * radius_mm;
    let ln = |s: &Spot| s.change.iter().map(|c| (1.0 + c).max(FLOOR).ln()).sum::<f32>() / 3.0;
    let takes_back =
        |a: f32, b: f32| a * b < 0.0 && a.abs().min(b.abs()) > TELLING && (a / b).abs().ln().abs() < ALIKE.ln();
    let mut stand: Vec<Spot> = Vec::new();
    for spots in photos {
        // What one photo shows takes back what stood before it.
        let earlier = stand.len();
        let mut gone = vec![false; earlier];
        for s in spots {
            let away = |j: usize| (s.at.x_m - stand[j].at.x_m).hypot(s.at.y_m - stand[j].at.y_m);
            let mut was: Vec<usize> = (0..earlier)
                .filter(|&j| !gone[j] && away(j) < NEAR_DIAMETERS * diameter_m && takes_back(ln(&s), ln(&stand[j])))
                .collect();
            was.sort_by(|a, b| away(*a).total_cmp(&away(*b)));
            let back: Vec<usize> =
                was.iter().enumerate().filter(|(n, j)| *n == 0 || away(**j) < diameter_m).map(|(_, j)| *j).collect();
            if back.is_empty() {
                stand.push(s);
            }
            back.into_iter().for_each(|j| gone[j] = true);
        }
        let mut at = gone.into_iter();
        stand.retain(|_| !at.next().unwrap_or(false));
    }
    stand
}

/// Log ratio of two linear values.
fn ln_ratio(a: [f32; 3], b: [f32; 3]) -> [f32; 3] {
    std::array::from_fn(|c| ((a[c] + FLOOR) / (b[c] + FLOOR)).ln())
}

/// Whether a pixel changed, and the other change took that back, or was taken back by it. Each is a log ratio in its own photo's light, so that their sum does not
/// mind an exposure that differs.
fn is_back(change: [f32; 3], other: [f32; 3]) -> bool {
    let size = |v: [f32; 3]| v.iter().map(|c| c * c).sum::<f32>().sqrt();
    let left: [f32; 3] = std::array::from_fn(|c| change[c] + other[c]);
    change.iter().any(|c| c.abs() > TELLING) && size(left) <= (1.0 - BACK) * size(change)
}

/// Whether what passed are the volley's marks: as much as its shots would mark, to one side, in pieces that marks may make, and hardly anything
/// stays beside it. What is hidden already (`passed`) is another's.
fn are_marks(
    patches: &[RawPatch],
    back: &[(usize, Vec<bool>)],
    passed: &Passed,
    (shots, radius_mm): (u32, f64),
) -> bool {
    let usual = std::f64::consts::PI * radius_mm * radius_mm;
    // Area of each piece, usual marks, and its mean change.
    let weighed = |p: &RawPatch, cells: &[usize]| {
        let change = |i: usize| ln_ratio(p.after[i], p.expected[i]).iter().sum::<f32>() / 3.0;
        let n = cells.len() as f64;
        (n * p.mm_per_px * p.mm_per_px / usual, cells.iter().map(|&i| f64::from(change(i))).sum::<f64>() / n)
    };
    let (mut went, mut stays) = (Vec::new(), Vec::new());
    for (k, p) in patches.iter().enumerate() {
        let back = back.iter().find(|b| b.0 == k).map(|b| &b.1);
        let hidden = passed.by_patch.get(&k);
        let is = |mask: Option<&Vec<bool>>, i: usize| mask.is_some_and(|m| m[i]);
        let telling = |i: usize| {
            let own = || ln_ratio(p.after[i], p.expected[i]);
            !p.quiet[i] && !is(back, i) && !is(hidden, i) && own().iter().any(|c| c.abs() > TELLING)
        };
        let left = opened(&(0..p.after.len()).map(telling).collect::<Vec<_>>(), p.width, p.height, 1);
        stays.extend(pieces(&left, p.width, p.height).iter().map(|cells| weighed(p, cells)));
        went.extend(back.into_iter().flat_map(|b| pieces(b, p.width, p.height)).map(|cells| weighed(p, &cells)));
    }
    let sum = |of: &[(f64, f64)], side: f64| of.iter().filter(|w| w.1 * side > 0.0).map(|w| w.0).sum::<f64>();
    let side = if sum(&went, 1.0) > sum(&went, -1.0) { 1.0 } else { -1.0 };
    let (own, other) = (sum(&went, side), sum(&went, -side));
    // What is noise changes to both sides.
    stays.retain(|w| w.1.abs() > f64::from(TELLING));
    // Where older marks went, what changed to the other side is more of them, which others had overlapped.
    let stays = sum(&stays, side) + if passed.older_gone { 0.0 } else { sum(&stays, -side) };
    let (shots, all) = (f64::from(shots), own + other);
    other <= OTHER_SIDE * all
        && went.iter().all(|w| w.0 < LARGEST_PIECE)
        && all >= AREA_A_SHOT.0 * shots
        && all <= AREA_A_SHOT.1 * (shots + 1.0)
        && stays < STAYS * all
        && stays < STAYS_A_SHOT * shots
}

/// Pixels of patches whose change the comparison after it takes back, or that take back the change of the one before it: patch and mask.
fn changed_back(
    patches: &[RawPatch],
    (view, others): (&WallView, &[RawPatch]),
    radius_mm: f64,
) -> Vec<(usize, Vec<bool>)> {
    let there = |w_mm: [f64; 2]| -> Option<(&RawPatch, usize)> {
        let p = view.pixel_from_wall(WallPoint::new(1e-3 * w_mm[0], 1e-3 * w_mm[1]))?;
        others.iter().find_map(|o| {
            let (x, y) = p.cell(o.origin, o.step, (o.width, o.height))?;
            Some((o, y * o.width + x))
        })
    };
    let back_at = |p: &RawPatch, i: usize| {
        let Some((o, j)) = there(p.wall_mm[i]) else { return false };
        let (own, other) = (ln_ratio(p.after[i], p.expected[i]), ln_ratio(o.after[j], o.expected[j]));
        is_back(own, other)
    };
    let mut out = Vec::new();
    for (k, p) in patches.iter().enumerate() {
        let back: Vec<bool> = (0..p.after.len()).map(|i| !p.quiet[i] && back_at(p, i)).collect();
        let back = opened(&back, p.width, p.height, 1);
        let radius_px = radius_mm / p.mm_per_px;
        let least = LEAST_SHARE * std::f64::consts::PI * radius_px * radius_px;
        let mut mask = vec![false; back.len()];
        let large = pieces(&back, p.width, p.height).into_iter().filter(|cells| cells.len() as f64 > least);
        large.flatten().for_each(|i| mask[i] = true);
        if mask.contains(&true) {
            out.push((k, mask));
        }
    }
    out
}

/// Masks with some space around.
fn spaced(patches: &[RawPatch], masks: Vec<(usize, Vec<bool>)>, radius_mm: f64) -> Vec<(usize, Vec<bool>)> {
    let around = |(k, mask): (usize, Vec<bool>)| {
        let p = &patches[k];
        (k, spread(&mask, p.width, p.height, (AROUND_RADII * radius_mm / p.mm_per_px).ceil() as usize))
    };
    masks.into_iter().map(around).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::{Lens, Pose};
    use nalgebra::{Matrix3, Rotation3, Vector3};

    /// Facing the wall from two metres: half a pixel a millimetre.
    fn view() -> WallView {
        let facing = Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
        let rotation = Rotation3::from_matrix_eps(&facing, 1e-12, 10, Rotation3::identity());
        let pose = Pose { rotation, translation: Vector3::new(0.0, 0.0, 2.0) };
        WallView { lens: Lens::pinhole(400, 400, 1000.0), pose }
    }

    /// A patch about the photo's middle of a photo before and one after, as functions of the pixel.
    fn patch(before: impl Fn(usize, usize) -> f32, after: impl Fn(usize, usize) -> f32) -> RawPatch {
        let (origin, side) = (160, 80);
        let pixels = || (0..side * side).map(|i| (origin + i % side, origin + i / side));
        let grey = |v: f32| [v; 3];
        let wall_mm = |(x, y): (usize, usize)| {
            let w = view().wall_from_pixel(crate::points::PixelPoint::new(x as f64, y as f64)).unwrap();
            [1e3 * w.x_m, 1e3 * w.y_m]
        };
        RawPatch {
            origin: (origin, origin),
            step: 1,
            width: side,
            height: side,
            after: pixels().map(|(x, y)| grey(after(x, y))).collect(),
            expected: pixels().map(|(x, y)| grey(before(x, y))).collect(),
            light_u: Vec::new(),
            shade: Vec::new(),
            wall_mm: pixels().map(wall_mm).collect(),
            quiet: pixels().map(|(x, y)| before(x, y) == after(x, y)).collect(),
            masked: vec![false; side * side],
            mm_per_px: 2.0,
        }
    }

    #[test]
    fn what_changed_back_is_hidden_and_a_mark_beside_it_is_not() {
        let disc = |(cx, cy): (usize, usize), r: f64, x: usize, y: usize| {
            (x as f64 - cx as f64).hypot(y as f64 - cy as f64) < r
        };
        let clean = |_: usize, _: usize| 0.5f32;
        // Then a ball lies there and a mark is beside it; at last the ball is gone and there is another mark.
        let mark = |x, y| if disc((220, 200), 7.0, x, y) { 0.3 } else { clean(x, y) };
        let then = |x, y| if disc((185, 200), 12.0, x, y) { 0.8 } else { mark(x, y) };
        let last = |x, y| if disc((200, 225), 7.0, x, y) { 0.3 } else { mark(x, y) };
        let (came, went) = ([patch(clean, then)], [patch(then, last)]);
        let at = |mask: &[bool], (x, y): (usize, usize)| mask[(y - 160) * 80 + x - 160];
        let hidden = changed_back(&came, (&view(), &went), 13.0);
        let [(0, mask)] = hidden.as_slice() else { panic!("one patch: {}", hidden.len()) };
        assert!(at(mask, (185, 200)) && at(mask, (185, 189)) && !at(mask, (220, 200)));
        let hidden = changed_back(&went, (&view(), &came), 13.0);
        let [(0, mask)] = hidden.as_slice() else { panic!("one patch: {}", hidden.len()) };
        assert!(at(mask, (185, 200)) && !at(mask, (200, 225)));
        // A camera that exposes the last photo longer changes nothing in that.
        let longer = |p: RawPatch, by: f32| {
            let longer = |v: Vec<[f32; 3]>| v.into_iter().map(|c| c.map(|v| by * v)).collect();
            RawPatch { after: longer(p.after), expected: longer(p.expected), ..p }
        };
        let hidden = changed_back(&came, (&view(), &[longer(patch(then, last), 1.6)]), 13.0);
        let [(0, mask)] = hidden.as_slice() else { panic!("one patch: {}", hidden.len()) };
        assert!(at(mask, (185, 200)) && !at(mask, (220, 200)));
        // What stays hides nothing: a mark, and one that fades to half.
        let faded = |x, y| if disc((220, 200), 7.0, x, y) { 0.4 } else { clean(x, y) };
        for next in [patch(mark, mark), patch(mark, faded)] {
            assert!(changed_back(&[patch(clean, mark)], (&view(), &[next]), 13.0).is_empty());
        }
    }

    /// Whether three photos' first change is taken for marks of so many shots that are gone in the last.
    fn gone(shots: u32, photos: [&dyn Fn(usize, usize) -> f32; 3], passed: &Passed) -> bool {
        let (came, went) = ([patch(photos[0], photos[1])], [patch(photos[1], photos[2])]);
        let back = changed_back(&came, (&view(), &went), 13.0);
        are_marks(&came, &back, passed, (shots, 13.0))
    }

    #[test]
    fn marks_that_dried_are_no_things_that_passed() {
        let disc = |(cx, cy): (usize, usize), r: f64, x: usize, y: usize| {
            (x as f64 - cx as f64).hypot(y as f64 - cy as f64) < r
        };
        let clean = |_: usize, _: usize| 0.5f32;
        let marks = |x, y| if disc((180, 200), 6.0, x, y) || disc((205, 190), 6.0, x, y) { 0.3 } else { 0.5 };
        let next = |x, y| if disc((190, 225), 6.0, x, y) { 0.3 } else { 0.5 };
        let none = Passed::default();
        assert!(gone(2, [&clean, &marks, &next], &none));
        // So many shots would mark more, and one less.
        assert!(!gone(12, [&clean, &marks, &next], &none));
        // One of the two stays: the other was a fly.
        let one = |x, y| if disc((180, 200), 6.0, x, y) { 0.3 } else { 0.5 };
        assert!(!gone(2, [&clean, &marks, &one], &none));
        // A ball is larger than touching marks, and has a lit side and a shade.
        let ball = |x, y| if disc((200, 200), 13.0, x, y) { 0.8 } else { 0.5 };
        assert!(!gone(2, [&clean, &ball, &clean], &none));
        let lit = |x, y| if disc((180, 200), 6.0, x, y) { 0.8 } else { marks(x, y) };
        assert!(!gone(2, [&clean, &lit, &clean], &none));
        // An older mark that goes when these come is another side's change that stays, unless it is known that older ones went.
        let older = |x, y| if disc((190, 225), 8.0, x, y) { 0.3 } else { 0.5 };
        assert!(!gone(2, [&older, &marks, &clean], &none));
        assert!(gone(2, [&older, &marks, &clean], &Passed { older_gone: true, ..Passed::default() }));
    }

    #[test]
    fn marks_that_are_gone_and_the_places_where_they_were_stand_no_more() {
        let spot = |x_m: f64, change: f32| Spot { at: WallPoint::new(x_m, 0.0), change: [change; 3] };
        // One that is gone in the third photo, which shows where it was; one far from it, and one much fainter, stand, and so does what is new beside it.
        let photos = [
            vec![spot(0.0, -0.4), spot(0.5, -0.4), spot(0.03, -0.15)],
            vec![spot(0.3, -0.3)],
            vec![spot(0.01, 0.6), spot(0.02, -0.4)],
        ];
        let standing = |n: usize| standing(photos[..n].iter().cloned(), 13.0);
        assert_eq!(standing(1), photos[0]);
        assert_eq!(standing(3), [photos[0][1], photos[0][2], photos[1][0], photos[2][1]]);
    }

    #[test]
    fn a_day_of_marks_alone_is_not_looked_into() {
        let spot = |x_m: f64, change: f32| Spot { at: WallPoint::new(x_m, 0.0), change: [change; 3] };
        assert!(!may_have_passed(&[spot(0.0, -0.4)], &[spot(0.02, -0.4)], 13.0));
        assert!(may_have_passed(&[spot(0.0, 0.4)], &[spot(0.02, -0.3)], 13.0));
        assert!(!may_have_passed(&[spot(0.0, 0.4)], &[spot(0.20, -0.3)], 13.0));
    }
}
