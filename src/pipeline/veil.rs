//! Which parts of the wall does something hide in a photo, and which photo showed them last?
//!
//! Someone who stands before the wall hides what the shots of that volley did there. Such a part is left out of the comparison, and
//! remembered as a [`Veil`]: the first photo that shows it again is compared, there, with the last one that showed it before.

use serde::{Deserialize, Serialize};

use super::grid::Grid;
use crate::camera::WallView;
use crate::marks::things::spread;
use crate::points::WallPoint;

/// A part of the wall, as cells of one photo.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Mask {
    view: WallView,
    grid: Grid,
    cells: Vec<bool>,
}

impl Mask {
    /// Cells of a photo's grid; `None` where none is true.
    pub(super) fn new(view: &WallView, grid: Grid, cells: Vec<bool>) -> Option<Self> {
        (cells.len() == grid.width * grid.height && cells.contains(&true)).then_some(Self { view: *view, grid, cells })
    }

    /// How many cells it has.
    pub fn cells(&self) -> usize {
        self.cells.iter().filter(|c| **c).count()
    }

    pub(super) fn flags(&self) -> &[bool] {
        &self.cells
    }

    /// Whether a wall point belongs to it.
    pub fn holds(&self, w: WallPoint) -> bool {
        let cell = self.view.pixel_from_wall(w).and_then(|p| self.grid.cell_of(p));
        cell.and_then(|(x, y)| self.cells.get(y * self.grid.width + x)).copied().unwrap_or(false)
    }

    /// The same part on another photo's grid.
    pub(super) fn on(&self, view: &WallView, grid: &Grid) -> Vec<bool> {
        (0..grid.width * grid.height)
            .map(|i| view.wall_from_pixel(grid.pixel_of(i % grid.width, i / grid.width)).is_some_and(|w| self.holds(w)))
            .collect()
    }

    /// Widened by so many cells.
    pub(super) fn widened(&self, reach: usize) -> Self {
        let cells = spread(&self.cells, self.grid.width, self.grid.height, reach);
        Self { cells, ..self.clone() }
    }

    /// About `most` places spread evenly over it, mm, and the area that each stands for, mm^2.
    pub fn places_mm(&self, most: usize) -> (Vec<[f64; 2]>, f64) {
        let held: Vec<usize> = (0..self.cells.len()).filter(|&i| self.cells[i]).collect();
        let step = ((held.len() as f64 / most.max(1) as f64).sqrt().ceil() as usize).max(1);
        let (w, mut area) = (self.grid.width, 0.0);
        let mut places = Vec::new();
        for &i in held.iter().filter(|&&i| (i % w) % step == 0 && (i / w) % step == 0) {
            let Some(p) = self.view.wall_from_pixel(self.grid.pixel_of(i % w, i / w)) else { continue };
            if let Some(j) = self.view.pixels_per_metre(p) {
                let px2_per_m2 = (j[0][0] * j[1][1] - j[0][1] * j[1][0]).abs();
                area += 1e6 * ((step * self.grid.factor) as f64).powi(2) / px2_per_m2.max(1e-9);
                places.push([1e3 * p.x_m, 1e3 * p.y_m]);
            }
        }
        let n = places.len().max(1) as f64;
        (places, area / n)
    }
}

/// A part of the wall that something hides.
#[derive(Clone, Debug)]
pub struct Veil {
    /// The part.
    pub mask: Mask,
    /// Row of the last photo that shows it.
    pub row: usize,
    /// That photo's name.
    pub photo: String,
}

/// Of the veils before and what covers the wall now: which parts are new behind something, and which show again.
pub(super) struct Lifted {
    /// Cells that something new covers.
    pub fresh: Vec<bool>,
    /// For each veil before: cells that are no longer as they were.
    pub freed: Vec<Vec<bool>>,
}

/// Splits what changed as a whole (`covered`, on `grid`) by the veils before.
pub(super) fn lift(veils: &[Veil], view: &WallView, grid: &Grid, covered: &[bool], reach: usize) -> Lifted {
    let mut fresh = covered.to_vec();
    let mut freed = Vec::new();
    for v in veils {
        // A soft edge is no new thing.
        let near = v.mask.widened(reach).on(view, grid);
        freed.push(near.iter().zip(covered).map(|(n, c)| *n && *c).collect());
        fresh.iter_mut().zip(&near).for_each(|(f, n)| *f &= !n);
    }
    Lifted { fresh, freed }
}
