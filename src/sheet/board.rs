//! Which sheet is it, when its tags are too small or too soft to be read one by one?
//!
//! The black squares are seen long after the tags' bits have run into each other. Squares that stand diagonally to each other make a
//! lattice; wherever a sheet's six black squares could lie on it, the lattice says where its six tags' modules would be. All
//! of them are compared at once with what each sheet would show there through a blur: the mean over the tags of the correlation
//! between the 36 modules seen and expected, with what all tags have in common (their mean, and the mean tag) taken out of both.
//! A tag's blurred modules still hold about 14 independent values: chance gives a mean correlation over six tags of 0.00 ± 0.11, and
//! with four of 0.00 ± 0.13.

use std::collections::VecDeque;
use std::sync::OnceLock;

use image::GrayImage;
use nalgebra::SVector;

use super::geometry::{COLUMNS, ROWS, SheetGeometry, SheetSet, TAG_MODULES, TAGS, is_black, tag_of_sheet};
use super::homography::Homography;
use super::tag36h11::{CODES, FAMILY};
use super::tags::{Tag, bilinear, check_tag};
use crate::points::PixelPoint;

/// Blur that tags are expected with, modules: 2 px at three pixels a module. Less blur than that still correlates well.
const BLUR_MODULES: f64 = 0.65;
/// Least mean correlation of a sheet: more than four standard deviations of chance for the fewest tags, and it must be that of the
/// best of 97 sheets at one of few places.
const LEAST_MEAN: f64 = 0.6;
/// By how much the best sheet must exceed the second.
const LEAST_LEAD: f64 = 0.25;
/// Least correlation of a tag that counts as seen, and least of those.
const LEAST_TAG: f64 = 0.4;
const LEAST_TAGS: usize = 4;
/// Least squares of a lattice: four fix it with 16 corners.
const LEAST_SQUARES: usize = 4;
/// Farthest a square is from where its neighbour expects it, in sides, and how much its side may differ.
const FARTHEST: f64 = 0.25;
const SIDES: std::ops::Range<f64> = 0.75..1.33;
/// Least spread of a tag's modules, grey values.
const LEAST_SPREAD: f64 = 4.0;

/// Modules inside a tag's border.
const INNER: usize = TAG_MODULES - 2;
type Bits = SVector<f64, { INNER * INNER }>;

/// A board that was recognised as a whole.
pub struct Board {
    /// Its sheet's number.
    pub number: usize,
    /// Tags that were seen.
    pub tags: Vec<Tag>,
    /// From the sheet (mm) to pixels.
    pub map: Homography,
}

/// What all tags have in common taken out, and unit length; `None` where nothing is left.
fn own_part(v: &Bits, common: &[Bits; 2]) -> Option<Bits> {
    let rest = common.iter().fold(*v, |v, c| v - c * c.dot(&v));
    let norm = rest.norm();
    (norm > 1e-9).then(|| rest / norm)
}

/// A tag's modules through the blur, black border and white margin included.
fn blurred(code: u64) -> Bits {
    let n = TAG_MODULES as i64;
    let white = |r: i64, c: i64| {
        let outside = r < 0 || c < 0 || r >= n || c >= n;
        let border = !outside && (r == 0 || c == 0 || r == n - 1 || c == n - 1);
        let bit = |r: i64, c: i64| code >> (INNER * INNER - 1 - (r as usize - 1) * INNER - (c as usize - 1)) & 1 == 1;
        outside || (!border && bit(r, c))
    };
    let reach = 2;
    let weight = |d: i64| (-0.5 * (d as f64 / BLUR_MODULES).powi(2)).exp();
    let all: f64 = (-reach..=reach).map(weight).sum();
    Bits::from_fn(|i, _| {
        let (r, c) = ((i / INNER) as i64 + 1, (i % INNER) as i64 + 1);
        let mut sum = 0.0;
        for dr in -reach..=reach {
            for dc in -reach..=reach {
                if white(r + dr, c + dc) {
                    sum += weight(dr) * weight(dc);
                }
            }
        }
        sum / (all * all)
    })
}

/// What all tags have in common (two directions of unit length), and each tag's own part.
fn family() -> &'static ([Bits; 2], Vec<Bits>) {
    static FAMILY_SEEN: OnceLock<([Bits; 2], Vec<Bits>)> = OnceLock::new();
    FAMILY_SEEN.get_or_init(|| {
        let all: Vec<Bits> = CODES.iter().map(|c| blurred(*c)).collect();
        let even = Bits::repeat(1.0).normalize();
        let mean = all.iter().sum::<Bits>() / FAMILY as f64;
        let common = [even, (mean - even * even.dot(&mean)).normalize()];
        let own = all.iter().map(|v| own_part(v, &common).unwrap_or_else(Bits::zeros)).collect();
        (common, own)
    })
}

/// A black square: corners clockwise as seen, turned so that they agree with its lattice.
#[derive(Clone, Copy)]
struct Square {
    corners: [[f64; 2]; 4],
}

impl Square {
    fn middle(&self) -> [f64; 2] {
        [0, 1].map(|a| self.corners.iter().map(|c| c[a]).sum::<f64>() / 4.0)
    }

    /// The sides from the first corner to the second, and from the first to the last.
    fn sides(&self) -> [[f64; 2]; 2] {
        let c = &self.corners;
        let of = |a: usize, b: usize, d: usize, e: usize| [0, 1].map(|k| 0.5 * (c[b][k] - c[a][k] + c[e][k] - c[d][k]));
        [of(0, 1, 3, 2), of(0, 3, 1, 2)]
    }

    fn turned(&self, quarter: usize) -> Self {
        Self { corners: std::array::from_fn(|k| self.corners[(k + quarter) % 4]) }
    }
}

fn length(v: [f64; 2]) -> f64 {
    v[0].hypot(v[1])
}

/// A square at its place in the lattice: (across, down) of its first corner.
type Placed = ((i64, i64), Square);

/// Squares that stand diagonally to each other, from one of them on.
fn lattice(squares: &[Square], start: usize, used: &mut [bool]) -> Vec<Placed> {
    let mut out: Vec<Placed> = vec![((0, 0), squares[start])];
    used[start] = true;
    let mut queue = VecDeque::from([0]);
    while let Some(at) = queue.pop_front() {
        let ((i, j), s) = out[at];
        let ([a, b], m) = (s.sides(), s.middle());
        let side = 0.5 * (length(a) + length(b));
        for (da, db) in [(1, 1), (1, -1), (-1, 1), (-1, -1)] {
            let place = (i + da, j + db);
            if out.iter().any(|o| o.0 == place) {
                continue;
            }
            let (fa, fb) = (da as f64, db as f64);
            let want = [0, 1].map(|k| m[k] + fa * a[k] + fb * b[k]);
            let near = squares.iter().enumerate().find(|(n, q)| {
                let (p, [c, d]) = (q.middle(), q.sides());
                !used[*n]
                    && length([p[0] - want[0], p[1] - want[1]]) < FARTHEST * side
                    && SIDES.contains(&(0.5 * (length(c) + length(d)) / side))
            });
            if let Some((n, q)) = near {
                used[n] = true;
                let along = |q: &Square| {
                    let [c, _] = q.sides();
                    c[0] * a[0] + c[1] * a[1]
                };
                let turned = (0..4).map(|t| q.turned(t)).max_by(|p, q| along(p).total_cmp(&along(q))).unwrap_or(*q);
                out.push((place, turned));
                queue.push_back(out.len() - 1);
            }
        }
    }
    out
}

/// A lattice point, and where it is seen.
type Corner = ((i64, i64), [f64; 2]);

/// A lattice point after quarter turns.
fn turned((mut x, mut y): (i64, i64), quarter: usize) -> (i64, i64) {
    for _ in 0..quarter {
        (x, y) = (-y, x);
    }
    (x, y)
}

/// Every way in which a lattice's squares may be black squares of one sheet: from squares (across, down) to pixels.
fn placements(lattice: &[Placed]) -> Vec<Homography> {
    let mut out = Vec::new();
    for quarter in 0..4 {
        // Corners as lattice points, turned; a square's place is that of its least corner.
        let corners: Vec<[Corner; 4]> = lattice
            .iter()
            .map(|((i, j), s)| {
                let at = [(*i, *j), (i + 1, *j), (i + 1, j + 1), (*i, j + 1)];
                std::array::from_fn(|k| (turned(at[k], quarter), s.corners[k]))
            })
            .collect();
        let least = |c: &[Corner; 4]| c.iter().fold((i64::MAX, i64::MAX), |m, (p, _)| (m.0.min(p.0), m.1.min(p.1)));
        let low = corners.iter().map(least).fold((i64::MAX, i64::MAX), |m, p| (m.0.min(p.0), m.1.min(p.1)));
        for right in 0..COLUMNS as i64 {
            for down in 0..ROWS as i64 {
                let fits = corners.iter().map(least).all(|p| {
                    let (column, row) = (p.0 - low.0 + right, p.1 - low.1 + down);
                    let inside = (0..COLUMNS as i64).contains(&column) && (0..ROWS as i64).contains(&row);
                    inside && is_black(row as usize, column as usize)
                });
                if !fits {
                    continue;
                }
                let pairs: Vec<_> = corners
                    .iter()
                    .flatten()
                    .map(|(p, pixel)| ([(p.0 - low.0 + right) as f64, (p.1 - low.1 + down) as f64], *pixel, 1.0))
                    .collect();
                out.extend(Homography::fit(&pairs));
            }
        }
    }
    out
}

/// A tag's corners in the photo, when `map` takes squares to pixels.
fn tag_corners(map: &Homography, slot: usize) -> Option<[PixelPoint; 4]> {
    let one = SheetGeometry::default();
    let mut out = [PixelPoint::default(); 4];
    for (o, p) in out.iter_mut().zip(one.tag_corners(slot)) {
        let q = map.apply([p.u_mm / one.square_mm, p.v_mm / one.square_mm])?;
        *o = PixelPoint::new(q[0], q[1]);
    }
    Some(out)
}

/// The own part of the modules seen between a tag's corners; `None` outside the photo or without contrast.
fn seen(gray: &GrayImage, corners: &[PixelPoint; 4]) -> Option<Bits> {
    let unit = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
    let pairs: Vec<_> = unit.into_iter().zip(corners).map(|(u, c)| (u, [c.x_px, c.y_px], 1.0)).collect();
    let map = Homography::fit(&pairs)?;
    let (w, h) = (f64::from(gray.width()) - 1.0, f64::from(gray.height()) - 1.0);
    let mut values = Bits::zeros();
    for (i, v) in values.iter_mut().enumerate() {
        let at = |k: usize| (k as f64 + 1.5) / TAG_MODULES as f64;
        let [x, y] = map.apply([at(i % INNER), at(i / INNER)])?;
        if !(x >= 0.0 && y >= 0.0 && x <= w && y <= h) {
            return None;
        }
        *v = bilinear(gray, x, y);
    }
    let mean = values.mean();
    let spread = (values.add_scalar(-mean).norm_squared() / values.len() as f64).sqrt();
    if spread < LEAST_SPREAD { None } else { own_part(&values, &family().0) }
}

/// The sheet whose tags are where `map` says, and how sure that is: mean correlation of the best and of the second.
fn recognise(gray: &GrayImage, map: &Homography) -> Option<(usize, f64, Vec<Tag>)> {
    let own = &family().1;
    let slots: Vec<(usize, [PixelPoint; 4], Bits)> = (0..TAGS)
        .filter_map(|slot| {
            let corners = tag_corners(map, slot)?;
            Some((slot, corners, seen(gray, &corners)?))
        })
        .collect();
    if slots.len() < LEAST_TAGS {
        return None;
    }
    let of = |number: usize, slot: usize, v: &Bits| own[tag_of_sheet(number, slot)].dot(v);
    let mut scores: Vec<(f64, usize)> = (1..=FAMILY / TAGS)
        .map(|n| (slots.iter().map(|(slot, _, v)| of(n, *slot, v)).sum::<f64>() / slots.len() as f64, n))
        .collect();
    scores.sort_by(|a, b| b.0.total_cmp(&a.0));
    let (&(best, number), &(second, _)) = (scores.first()?, scores.get(1)?);
    if best < LEAST_MEAN || best < second + LEAST_LEAD {
        return None;
    }
    let tags: Vec<Tag> = slots
        .iter()
        .filter(|(slot, _, v)| of(number, *slot, v) > LEAST_TAG)
        .map(|(slot, corners, _)| {
            let id = tag_of_sheet(number, *slot);
            let wrong_bits = check_tag(gray, id, corners).map_or(0, |c| c.0);
            Tag { id, corners: *corners, wrong_bits }
        })
        .collect();
    (tags.len() >= LEAST_TAGS).then_some((number, best, tags))
}

/// Each square once: the same is found at several sizes of the photo.
fn squares(quads: &[[[f64; 2]; 4]]) -> Vec<Square> {
    let mut out: Vec<Square> = Vec::new();
    for q in quads {
        let s = Square { corners: *q };
        let (m, [a, b]) = (s.middle(), s.sides());
        let side = length(a).min(length(b));
        let known = |o: &Square| {
            let n = o.middle();
            length([n[0] - m[0], n[1] - m[1]]) < 0.3 * side
        };
        if !out.iter().any(known) {
            out.push(s);
        }
    }
    out
}

/// Boards whose black squares are among `quads` (corners clockwise as seen, px).
pub fn boards(gray: &GrayImage, quads: &[[[f64; 2]; 4]], set: &SheetSet) -> Vec<Board> {
    let squares = squares(quads);
    let mut used = vec![false; squares.len()];
    let mut out: Vec<Board> = Vec::new();
    for start in 0..squares.len() {
        if used[start] {
            continue;
        }
        let lattice = lattice(&squares, start, &mut used);
        if lattice.len() < LEAST_SQUARES {
            continue;
        }
        let found = placements(&lattice).into_iter().filter_map(|map| {
            let (number, score, tags) = recognise(gray, &map)?;
            Some((score, number, tags, map))
        });
        let Some((_, number, tags, map)) = found.max_by(|a, b| a.0.total_cmp(&b.0)) else { continue };
        // From millimetres of this sheet instead of squares.
        let g = set.of(number);
        let pairs: Option<Vec<_>> = [[0.0, 0.0], [3.0, 0.0], [3.0, 4.0], [0.0, 4.0]]
            .into_iter()
            .map(|p: [f64; 2]| Some((p.map(|v| v * g.square_mm), map.apply(p)?, 1.0)))
            .collect();
        if let Some(map) = pairs.and_then(|p| Homography::fit(&p)) {
            out.push(Board { number, tags, map });
        }
    }
    out
}
