//! How much of the full light falls on each part of a photo?
//!
//! In the shade a mark is darker as the wall is: [`Shade`] says by how much, from the median of what lies about a place.

use super::light::{bits, median, mix};

/// Cells whose median tells the light on the wall, mark diameters to either side: marks cover less than half of them, and a straight edge
/// leaves the median of what lies about it as it is.
const SHADE_DIAMETERS: f64 = 1.5;
/// Such cells looked at, across and down.
const SHADE_CELLS: usize = 9;
/// The wall is fully lit where this share of its places is darker.
const FULLY_LIT: f64 = 0.95;

/// How much of the full light falls on each part of a photo.
pub struct Shade {
    first: (usize, usize),
    step: usize,
    width: usize,
    height: usize,
    share: Vec<[f32; 3]>,
}

/// Linear RGB of the fully lit wall of a photo that is `expected` there (linear RGB a cell, NaN where no wall is known): what the brightest places are in the median
/// of what lies about them, which is what [`Shade::over`] holds against it. Single cells would be the joints of a brick wall, and its bricks in the shade.
pub fn fully_lit(expected: impl Fn(usize, usize) -> [f32; 3], size: (usize, usize), diameter_cells: f64) -> [f32; 3] {
    let reach = SHADE_DIAMETERS * diameter_cells;
    let step = reach.ceil().max(1.0) as usize;
    let places = (0..size.1).step_by(step).flat_map(|y| (0..size.0).step_by(step).map(move |x| (x, y)));
    brightest(&places.filter_map(|at| median_about(&expected, at, size, reach)).collect::<Vec<_>>())
}

/// What only one in twenty of some values is brighter than, each channel by itself; values that are not known do not count.
pub fn brightest(values: &[[f32; 3]]) -> [f32; 3] {
    std::array::from_fn(|c| {
        let mut v: Vec<u32> = values.iter().map(|p| p[c]).filter(|v| v.is_finite()).map(bits).collect();
        if v.is_empty() {
            return 1.0;
        }
        let k = (v.len() as f64 * FULLY_LIT) as usize;
        f32::from_bits(*v.select_nth_unstable(k).1).max(1e-3)
    })
}

/// Median colour of the cells about one; `None` where none is known.
fn median_about(
    expected: &impl Fn(usize, usize) -> [f32; 3],
    (x, y): (usize, usize),
    size: (usize, usize),
    reach: f64,
) -> Option<[f32; 3]> {
    let about = |v: usize, most: usize| -> Vec<usize> {
        let at = |k: usize| v as f64 + reach * (2.0 * k as f64 / (SHADE_CELLS - 1) as f64 - 1.0);
        (0..SHADE_CELLS).map(at).filter(|v| *v >= 0.0 && *v < most as f64).map(|v| v as usize).collect()
    };
    let (across, down) = (about(x, size.0), about(y, size.1));
    let all = down.iter().flat_map(|v| across.iter().map(|u| expected(*u, *v)));
    let values: Vec<[f32; 3]> = all.filter(|p| p.iter().all(|v| v.is_finite())).collect();
    let of = |c: usize| median(&mut values.iter().map(|p| p[c]).collect::<Vec<f32>>());
    (!values.is_empty()).then(|| [of(0), of(1), of(2)])
}

impl Shade {
    /// Over the cells `x` and `y` (first and last) of a photo that is `expected` there (linear RGB a cell, NaN where unknown), of which `lit` is the fully lit wall.
    pub fn over(
        expected: impl Fn(usize, usize) -> [f32; 3],
        (x, y): ((usize, usize), (usize, usize)),
        size: (usize, usize),
        diameter_cells: f64,
        lit: [f32; 3],
    ) -> Self {
        let reach = SHADE_DIAMETERS * diameter_cells;
        let step = (0.5 * reach / SHADE_CELLS as f64).ceil() as usize;
        let (width, height) = ((x.1 - x.0) / step + 2, (y.1 - y.0) / step + 2);
        let share = (0..width * height)
            .map(|i| {
                let at = (x.0 + i % width * step, y.0 + i / width * step);
                median_about(&expected, at, size, reach).map_or([1.0; 3], |m| std::array::from_fn(|c| m[c] / lit[c]))
            })
            .collect();
        Self { first: (x.0, y.0), step, width, height, share }
    }

    /// The share of the full light at a place, cells.
    pub fn at(&self, x: f64, y: f64) -> [f32; 3] {
        let among = |v: f64, first: usize, most: usize| {
            let f = ((v - first as f64) / self.step as f64).clamp(0.0, (most - 1) as f64);
            (f as usize, (f as usize + 1).min(most - 1), (f - f.floor()) as f32)
        };
        let (x0, x1, fx) = among(x, self.first.0, self.width);
        let (y0, y1, fy) = among(y, self.first.1, self.height);
        let at = |x: usize, y: usize| self.share[y * self.width + x];
        mix(mix(at(x0, y0), at(x1, y0), fx), mix(at(x0, y1), at(x1, y1), fx), fy)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (200, 160);
    const DIAMETER: f64 = 9.0;
    /// Light in the shade over that in the sun, by channel.
    const DARK: [f32; 3] = [0.42, 0.45, 0.5];

    /// The light about an edge through the middle with a half shadow six cells wide.
    fn light(x: f64, y: f64) -> [f32; 3] {
        let across = (x - 100.0) * 0.4f64.cos() + (y - 80.0) * 0.4f64.sin();
        let t = (across / 6.0 + 0.5).clamp(0.0, 1.0);
        DARK.map(|d| d + (1.0 - d) * (t * t * (3.0 - 2.0 * t)) as f32)
    }

    #[test]
    fn shade_is_the_walls_own_light() {
        let at = |x: usize, y: usize| light(x as f64, y as f64).map(|v| 0.6 * v);
        let lit = fully_lit(at, SIZE, DIAMETER);
        assert!((lit[1] - 0.6).abs() < 1e-3, "{lit:?}");
        let shade = Shade::over(at, ((30, 170), (30, 130)), SIZE, DIAMETER, lit);
        for (x, y) in [(40.0, 40.0), (100.0, 80.0), (104.0, 84.0), (97.0, 80.5), (160.0, 120.0)] {
            let (found, truth) = (shade.at(x, y), light(x, y));
            // Nine by nine cells three cells apart tell an edge's place to a third of that.
            (0..3).for_each(|c| assert!((found[c] - truth[c]).abs() < 0.15, "{x} {y}: {found:?} {truth:?}"));
        }
        // Far from the edge it is exact.
        assert!((shade.at(165.0, 125.0)[2] - 1.0).abs() < 1e-3 && (shade.at(35.0, 32.0)[0] - DARK[0]).abs() < 1e-3);
    }

    #[test]
    fn a_brick_walls_joints_do_not_make_shade_of_its_bricks() {
        // Bricks of 65 mm with joints of 10 mm, 3.6 mm a cell: a seventh of the wall is joint.
        let joint = |y: usize| y % 21 < 3;
        let at = |x: usize, y: usize| {
            let of = if joint(y) { 0.6 } else { 0.25 };
            light(x as f64, y as f64).map(|v| of * v)
        };
        let lit = fully_lit(at, SIZE, DIAMETER);
        assert!((lit[1] - 0.25).abs() < 1e-3, "{lit:?}");
        let shade = Shade::over(at, ((30, 170), (30, 130)), SIZE, DIAMETER, lit);
        assert!((shade.at(165.0, 125.0)[1] - 1.0).abs() < 1e-3 && (shade.at(35.0, 32.0)[0] - DARK[0]).abs() < 1e-3);
    }
}
