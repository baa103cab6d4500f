//! What lies along a straight line through a cell of a grid, for many cells at once?
//!
//! [`Planes`] are values in cells, some channels of them; a [`Line`] is where a line of a direction passes, seen from its middle; [`Along`] holds the values on
//! the lines of [`LANES`] cells side by side, and tells their medians. What is outside and what is not known does not count.

use crate::vectors::larger;

/// Lines at a time: with fewer, the compiler makes its vectors across the wrong loop.
pub(super) const LANES: usize = 64;
/// A line with fewer values says nothing.
pub(super) const LEAST_ON_LINE: usize = 8;
/// Where a line's places are reckoned from, cells: as in the middle of a photo, where what is less than rounding beside a cell's number falls away.
const MIDDLE: f64 = 1024.0;
/// The place of a value that is not there: beyond all others, and not counted.
const MISSING: i32 = i32::MAX;

/// Values in the cells of a grid, three channels of them, with a rim of unknown ones about them, so that lines may run out.
pub(super) struct Planes {
    width: usize,
    rim: usize,
    cells: usize,
    of: Vec<f32>,
}

impl Planes {
    /// Of a grid `width` wide, for lines that reach `half` cells to either side of their middle. A cell of which one channel is not finite is unknown.
    pub fn new(values: &[[f32; 3]], width: usize, half: usize) -> Self {
        let rim = half + 2;
        let (wide, high) = (width + 2 * rim, values.len() / width.max(1) + 2 * rim);
        let mut of = vec![f32::NAN; 3 * wide * high];
        for (c, plane) in of.chunks_exact_mut(wide * high).enumerate() {
            for (row, values) in plane.chunks_exact_mut(wide).skip(rim).zip(values.chunks_exact(width.max(1))) {
                for (to, v) in row[rim..].iter_mut().zip(values) {
                    *to = if v.iter().all(|v| v.is_finite()) { v[c] } else { f32::NAN };
                }
            }
        }
        Self { width: wide, rim, cells: wide * high, of }
    }

    /// Where a cell's value of a channel stands.
    pub fn index(&self, x: usize, y: usize, channel: usize) -> usize {
        channel * self.cells + (y + self.rim) * self.width + x + self.rim
    }

    /// Two values side by side.
    #[inline(always)]
    fn pair(&self, at: usize) -> Option<&[f32; 2]> {
        self.of.get(at..)?.first_chunk()
    }

    /// Places on a line, cells across and down from its middle: in a direction, radians, up to `half` cells to either side, which is at most what
    /// these planes are for; every `step`th cell.
    fn places(&self, angle_rad: f64, half: usize, step: usize) -> impl Iterator<Item = [f64; 2]> {
        let (sine, cosine) = angle_rad.sin_cos();
        let half = half.min(self.rim - 2) as isize;
        (-half..=half).step_by(step).map(move |t| [cosine, sine].map(|along| t as f64 * along))
    }

    /// How far off a cell stands that is so many across and down.
    fn off(&self, x: isize, y: isize) -> isize {
        y * self.width as isize + x
    }
}

/// Where a line passes, cell by cell: how far off the first of the four cells about each place stands, and their weights.
pub(super) struct Line(Vec<(isize, [f32; 4])>);

impl Line {
    /// At the places of [`Planes::places`], of every cell.
    pub fn new(angle_rad: f64, half: usize, planes: &Planes) -> Self {
        let place = |at: [f64; 2]| {
            let [(x, fx), (y, fy)] = at.map(|v| {
                let at = MIDDLE + v;
                ((at.floor() - MIDDLE) as isize, (at - at.floor()) as f32)
            });
            (planes.off(x, y), [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy])
        };
        Self(planes.places(angle_rad, half, 1).map(place).collect())
    }
}

/// The cells nearest to a line, some cells apart: how far off each stands.
pub(super) struct CellLine(Vec<isize>);

impl CellLine {
    /// At the places of [`Planes::places`].
    pub fn new(angle_rad: f64, half: usize, step: usize, planes: &Planes) -> Self {
        let place = |at: [f64; 2]| {
            let [x, y] = at.map(|v| v.round() as isize);
            planes.off(x, y)
        };
        Self(planes.places(angle_rad, half, step).map(place).collect())
    }
}

/// The values along the lines of [`LANES`] cells, as bits of numbers that are not negative: they sort as the numbers do.
pub(super) struct Along {
    values: Vec<[i32; LANES]>,
    count: [i32; LANES],
}

impl Default for Along {
    fn default() -> Self {
        Self { values: Vec::new(), count: [0; LANES] }
    }
}

impl Along {
    /// Reads them, for each its own line, all of them as long, through the cells at the places `middles` (of [`Planes::index`]): values between the
    /// cells, 0 for those below it.
    #[inline(always)]
    pub fn read(&mut self, planes: &Planes, lines: &[&Line; LANES], middles: &[usize; LANES]) {
        self.clear();
        for t in 0..lines[0].0.len() {
            let mut row = [f32::NAN; LANES];
            for l in 0..LANES {
                let Some((off, weights)) = lines[l].0.get(t) else { continue };
                let at = middles[l].wrapping_add_signed(*off);
                let below = at.wrapping_add(planes.width);
                if let (Some([a, b]), Some([c, d])) = (planes.pair(at), planes.pair(below)) {
                    row[l] = weights[0] * a + weights[1] * b + weights[2] * c + weights[3] * d;
                }
            }
            self.push(&row);
        }
    }

    /// The same of the cells nearest to the lines.
    #[inline(always)]
    pub fn read_cells(&mut self, planes: &Planes, lines: &[&CellLine; LANES], middles: &[usize; LANES]) {
        self.clear();
        for t in 0..lines[0].0.len() {
            let mut row = [f32::NAN; LANES];
            for l in 0..LANES {
                if let Some(off) = lines[l].0.get(t)
                    && let Some(v) = planes.of.get(middles[l].wrapping_add_signed(*off))
                {
                    row[l] = *v;
                }
            }
            self.push(&row);
        }
    }

    #[inline(always)]
    fn clear(&mut self) {
        self.values.clear();
        self.count = [0; LANES];
    }

    #[inline(always)]
    fn push(&mut self, row: &[f32; LANES]) {
        let mut bits = [MISSING; LANES];
        for l in 0..LANES {
            // False for what is not a number, too.
            let known = row[l].abs() <= f32::MAX;
            let value = larger(row[l], 0.0).to_bits() as i32;
            bits[l] = if known { value } else { MISSING };
            self.count[l] += i32::from(known);
        }
        self.values.push(bits);
    }

    /// How many values each line has.
    pub fn counts(&self) -> [usize; LANES] {
        self.count.map(|n| n as usize)
    }

    /// The median of each line's values, the upper one of two; 0 for a line without.
    #[inline(always)]
    pub fn medians(&self) -> [f32; LANES] {
        // Bits that all values of a line have in common need no search.
        let (mut least, mut most) = ([MISSING; LANES], [0; LANES]);
        for row in &self.values {
            for l in 0..LANES {
                least[l] = least[l].min(row[l]);
                most[l] = most[l].max(if row[l] == MISSING { 0 } else { row[l] });
            }
        }
        let mut differ = 0;
        for l in 0..LANES {
            differ |= if self.count[l] > 0 { least[l] ^ most[l] } else { 0 };
        }
        let searched = 32 - differ.leading_zeros();
        let mut found = [0i32; LANES];
        for l in 0..LANES {
            found[l] = if self.count[l] > 0 { least[l] >> searched << searched } else { 0 };
        }
        // The largest number that no more values lie below than below the median: bit by bit.
        for bit in (0..searched).rev() {
            let mut tried = [0i32; LANES];
            let mut below = [0i32; LANES];
            for l in 0..LANES {
                tried[l] = found[l] | (1 << bit);
            }
            for row in &self.values {
                for l in 0..LANES {
                    below[l] += i32::from(row[l] < tried[l]);
                }
            }
            for l in 0..LANES {
                found[l] = if below[l] <= self.count[l] / 2 { tried[l] } else { found[l] };
            }
        }
        let mut out = [0.0; LANES];
        for l in 0..LANES {
            out[l] = if self.count[l] > 0 { f32::from_bits(found[l] as u32) } else { 0.0 };
        }
        out
    }

    /// Mean deviation of each line's values from their median, relative: a line that crosses the strip between two places of an edge differs from its
    /// median in that strip only, but there by much. NaN where it has fewer than [`LEAST_ON_LINE`].
    #[inline(always)]
    pub fn mean_deviations(&self, medians: &[f32; LANES]) -> [f32; LANES] {
        let mut sums = [0.0f32; LANES];
        for row in &self.values {
            for l in 0..LANES {
                let off = (f32::from_bits(row[l] as u32) - medians[l]).abs();
                sums[l] += if row[l] == MISSING { 0.0 } else { off };
            }
        }
        for l in 0..LANES {
            let n = self.count[l];
            sums[l] = if n as usize >= LEAST_ON_LINE { sums[l] / (n as f32 * medians[l].max(1e-3)) } else { f32::NAN };
        }
        sums
    }

    /// Puts in the place of each value what it differs by from a number of its line's own.
    #[inline(always)]
    pub fn differences(&mut self, from: &[f32; LANES]) {
        for row in &mut self.values {
            for l in 0..LANES {
                let off = (f32::from_bits(row[l] as u32) - from[l]).abs().to_bits() as i32;
                row[l] = if row[l] == MISSING { MISSING } else { off };
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::marks::light::{bits, middle};
    use crate::marks::sample::uniform;

    const WIDTH: usize = 40;
    const HEIGHT: usize = 30;

    fn planes(of: impl Fn(usize, usize) -> [f32; 3], half: usize) -> Planes {
        let cells: Vec<[f32; 3]> = (0..WIDTH * HEIGHT).map(|i| of(i % WIDTH, i / WIDTH)).collect();
        Planes::new(&cells, WIDTH, half)
    }

    #[test]
    fn values_are_those_on_the_line() {
        // A plane: what lies between its cells is exact to rounding.
        let value = |x: f64, y: f64| 1.0 + 0.02 * x + 0.05 * y;
        let p = planes(|x, y| [value(x as f64, y as f64) as f32, 0.0, 0.0], 9);
        let (angle, middles): (f64, [usize; LANES]) =
            (0.6, std::array::from_fn(|l| p.index(10 + l % 20, 8 + l / 20, 0)));
        let (sine, cosine) = angle.sin_cos();
        let line = Line::new(angle, 9, &p);
        let mut along = Along::default();
        along.read(&p, &[&line; LANES], &middles);
        for (l, medians) in along.medians().iter().enumerate() {
            // 19 places in a row: the median is the middle one.
            let there = value((10 + l % 20) as f64, (8 + l / 20) as f64);
            assert!((f64::from(*medians) - there).abs() < 1e-6 && along.counts()[l] == 19, "{l}");
            let strays: f64 =
                (-9..=9).map(|t| (f64::from(t) * (0.02 * cosine + 0.05 * sine)).abs()).sum::<f64>() / 19.0;
            assert!((f64::from(along.mean_deviations(&along.medians())[l]) * there - strays).abs() < 1e-5, "{l}");
        }
        // The cells themselves: at most half a cell to each side of the line.
        let cells = CellLine::new(angle, 9, 3, &p);
        along.read_cells(&p, &[&cells; LANES], &middles);
        assert!(along.counts().iter().all(|n| *n == 7));
        assert!(
            along
                .medians()
                .iter()
                .enumerate()
                .all(|(l, m)| { (f64::from(*m) - value((10 + l % 20) as f64, (8 + l / 20) as f64)).abs() < 1e-6 })
        );
    }

    #[test]
    fn what_is_outside_or_unknown_does_not_count() {
        // From a corner along the first row: half of the line is outside, and one of its cells is unknown, which takes both places beside it.
        let p = planes(|x, y| if (x, y) == (4, 0) { [1.0, f32::NAN, 1.0] } else { [1.0; 3] }, 8);
        let (line, cells) = (Line::new(0.0, 8, &p), CellLine::new(0.0, 8, 1, &p));
        let mut along = Along::default();
        along.read(&p, &[&line; LANES], &[p.index(0, 0, 2); LANES]);
        assert_eq!(along.counts(), [7; LANES]);
        assert!(along.mean_deviations(&along.medians()).iter().all(|v| v.is_nan()), "too few to say anything");
        along.read_cells(&p, &[&cells; LANES], &[p.index(0, 0, 2); LANES]);
        assert_eq!(along.counts(), [8; LANES]);
        assert_eq!(along.mean_deviations(&along.medians()), [0.0; LANES]);
        // A line all of whose cells are unknown.
        let p = planes(|_, _| [f32::INFINITY; 3], 8);
        along.read_cells(&p, &[&cells; LANES], &[p.index(20, 15, 0); LANES]);
        assert_eq!((along.counts(), along.medians()), ([0; LANES], [0.0; LANES]));
    }

    #[test]
    fn medians_are_those_of_sorted_values() {
        for n in [1, 2, 7, 50, 51] {
            let mut lists = vec![Vec::new(); LANES];
            let mut along = Along::default();
            for t in 0..n {
                // Of very different sizes, many alike, some below nothing, and some that are not there.
                let row: [f32; LANES] = std::array::from_fn(|l| {
                    let u = uniform(t * LANES + l) as f32;
                    match l % 4 {
                        0 => 1.0 + 0.01 * u,
                        1 => (40.0 * u).exp() - 1.0,
                        2 => (4.0 * u).round() * 0.25,
                        _ if u > 0.2 => f32::NAN,
                        _ => u,
                    }
                });
                lists.iter_mut().zip(row).filter(|(_, v)| v.is_finite()).for_each(|(list, v)| list.push(bits(v)));
                along.push(&row);
            }
            let medians = along.medians();
            let sorted = |list: &Vec<u32>| if list.is_empty() { 0.0 } else { middle(&mut list.clone()) };
            assert!(lists.iter().zip(medians).all(|(list, m)| sorted(list) == m), "{n}");
            along.differences(&medians);
            for (list, m) in lists.iter_mut().zip(medians) {
                list.iter_mut().for_each(|v| *v = (f32::from_bits(*v) - m).abs().to_bits());
            }
            assert!(lists.iter().zip(along.medians()).all(|(list, m)| sorted(list) == m), "{n}");
        }
    }
}
