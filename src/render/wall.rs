//! What is the wall made of?
//!
//! Procedural surfaces: each place has a colour (linear albedo, 0 to 1) that follows from the place and the wall's
//! seed. Fine grain fades out where a pixel is coarser than it.

use super::noise::{grain, line_cover, smooth, uniform};
use crate::points::WallPoint;

/// A surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WallKind {
    /// Pale painted board: roller grain, seams between boards, filled screw heads.
    PaintedBoard,
    /// Bare plywood: figured veneer, fibres, a few knots, seams.
    Plywood,
    /// Dark rubber tiles with coloured flecks.
    Rubber,
    /// Bare brick in running bond.
    Brick,
    /// The same, its joints raked out: no ball reaches into them.
    RakedBrick,
    /// Cast concrete with pores and formwork seams.
    Concrete,
    /// One flat grey (albedo 0.5): for tests.
    Plain,
}

/// A flat wall of some extent; past it there is floor and a dim room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wall {
    /// Its surface.
    pub kind: WallKind,
    /// Its bottom-left corner.
    pub low: WallPoint,
    /// Its top-right corner.
    pub high: WallPoint,
    /// Strength of everything that is not flat colour; 1 is ordinary, 0 is bare.
    pub texture: f64,
    /// Which wall of its kind.
    pub seed: u64,
}

/// What is seen past the edges of the wall, and where a pixel looks past its plane.
pub const ROOM: [f32; 3] = [0.075, 0.073, 0.07];
/// The floor along the wall's foot.
const FLOOR: [f64; 3] = [0.21, 0.20, 0.19];

impl Wall {
    /// A wall so large that no photo sees its edge.
    pub fn endless(kind: WallKind, seed: u64) -> Self {
        Self { kind, low: WallPoint::new(-1e3, -1e3), high: WallPoint::new(1e3, 1e3), texture: 1.0, seed }
    }

    /// Albedo at a place, for a pixel about `footprint_m` wide on the wall.
    pub fn albedo(&self, p: WallPoint, footprint_m: f64) -> [f32; 3] {
        // Shares of the pixel: an edge that only ever fell on one side of a pixel would jump when the camera moves a hair.
        let share = |inside_m: f64| (inside_m / footprint_m.max(1e-9) + 0.5).clamp(0.0, 1.0);
        let above_foot = share(p.y_m - self.low.y_m);
        let on_wall =
            share(self.high.y_m - p.y_m) * share(p.x_m - self.low.x_m) * share(self.high.x_m - p.x_m) * above_foot;
        if on_wall == 1.0 {
            return self.surface(p, footprint_m);
        }
        let wall = if on_wall > 0.0 { self.surface(p, footprint_m) } else { [0.0; 3] };
        let floor = if above_foot < 1.0 { self.floor(p) } else { [0.0; 3] };
        let (on_wall, below) = (on_wall as f32, 1.0 - above_foot as f32);
        std::array::from_fn(|c| on_wall * wall[c] + below * floor[c] + (1.0 - on_wall - below) * ROOM[c])
    }

    fn floor(&self, p: WallPoint) -> [f32; 3] {
        let depth_mm = (self.low.y_m - p.y_m).max(0.0) * 1e3;
        // A dark line at the foot, then floor.
        let shade = 1.0 - 0.6 * (-depth_mm / 25.0).exp();
        let g = 0.03 * smooth(p.x_m * 9.0, p.y_m * 30.0, self.seed ^ 90);
        FLOOR.map(|f| ((f + g) * shade) as f32)
    }

    /// Share of a ball's mark that a place takes, 0 to 1, for a pixel about `footprint_m` wide on the wall.
    pub fn takes(&self, p: WallPoint, footprint_m: f64) -> f32 {
        match self.kind {
            WallKind::RakedBrick => 1.0 - self.brick(p.x_m * 1e3, p.y_m * 1e3, footprint_m * 1e3).1 as f32,
            _ => 1.0,
        }
    }

    fn surface(&self, p: WallPoint, footprint_m: f64) -> [f32; 3] {
        let (x, y, f) = (p.x_m * 1e3, p.y_m * 1e3, footprint_m * 1e3);
        let colour = match self.kind {
            WallKind::PaintedBoard => self.painted(x, y, f),
            WallKind::Plywood => self.plywood(x, y, f),
            WallKind::Rubber => self.rubber(x, y, f),
            WallKind::Brick | WallKind::RakedBrick => self.brick(x, y, f).0,
            WallKind::Concrete => self.concrete(x, y, f),
            WallKind::Plain => [0.5; 3],
        };
        colour.map(|v| v.clamp(0.005, 0.95) as f32)
    }

    /// Share of a seam between boards of this size, mm, whose lattice starts at the wall's own offset.
    fn seam(&self, x: f64, y: f64, f: f64, board: (f64, f64), half: f64) -> f64 {
        let (ox, oy) = (uniform(1, 0, self.seed) * board.0, uniform(2, 0, self.seed) * board.1);
        let off = |v: f64, step: f64| v - (v / step).round() * step;
        line_cover(off(x - ox, board.0), half, f).max(line_cover(off(y - oy, board.1), half, f))
    }

    fn painted(&self, x: f64, y: f64, f: f64) -> [f64; 3] {
        let s = self.seed;
        let t = self.texture;
        let roller = 0.020 * grain(x, y, 2.6, 3.4, f, s ^ 11) + 0.016 * grain(x, y, 9.0, 14.0, f, s ^ 12);
        let cloud = 0.030 * smooth(x / 310.0, y / 450.0, s ^ 13) + 0.015 * smooth(x / 90.0, y / 70.0, s ^ 14);
        let mut tone = 1.0 + t * (roller + cloud);
        tone *= 1.0 - 0.62 * t.min(1.0) * self.seam(x, y, f, (1220.0, 2440.0), 1.1);
        // Screws in upright rows, filled and painted over: a faint dimple with a dark edge.
        let (i, j) = ((x / 406.0).round(), (y / 305.0).round());
        let (dx, dy) = (
            x - i * 406.0 - 9.0 * (uniform(i as i64, j as i64, s ^ 15) - 0.5),
            y - j * 305.0 - 30.0 * (uniform(i as i64, j as i64, s ^ 16) - 0.5),
        );
        let r = dx.hypot(dy);
        if r < 4.0 + f {
            let dark = 0.10 + 0.35 * uniform(i as i64, j as i64, s ^ 17);
            tone *= 1.0
                - t.min(1.0) * dark * ((4.0 - r) / f.max(0.4) + 0.5).clamp(0.0, 1.0) * (0.5 + 0.5 * (r / 4.0).min(1.0));
        }
        [0.66 * tone, 0.66 * tone, 0.62 * tone]
    }

    fn plywood(&self, x: f64, y: f64, f: f64) -> [f64; 3] {
        let s = self.seed;
        let t = self.texture;
        // Veneers differ from board to board; the figure runs upright.
        let (ox, oy) = (uniform(1, 0, s) * 1220.0, uniform(2, 0, s) * 2440.0);
        let board = (((x - ox) / 1220.0).floor() as i64, ((y - oy) / 2440.0).floor() as i64);
        let b = super::noise::hash(board.0, board.1, s);
        let mut warp = 2.1 * smooth(x / 170.0, y / 900.0, b) + 0.5 * smooth(x / 60.0, y / 420.0, b ^ 1);
        let mut knot = 0.0;
        let (ki, kj) = ((x / 390.0).floor() as i64, (y / 520.0).floor() as i64);
        if uniform(ki, kj, b ^ 2) < 0.3 {
            let cx = (ki as f64 + 0.3 + 0.4 * uniform(ki, kj, b ^ 3)) * 390.0;
            let cy = (kj as f64 + 0.3 + 0.4 * uniform(ki, kj, b ^ 4)) * 520.0;
            let size = 7.0 + 8.0 * uniform(ki, kj, b ^ 5);
            let r = ((x - cx) / size).hypot((y - cy) / (1.5 * size));
            warp += 1.5 * (-0.25 * r * r).exp();
            knot = (1.6 - 1.6 * r).clamp(0.0, 1.0);
        }
        // Late wood: sharp on one side, soft on the other; fades where a pixel cannot part the lines.
        let phase = x / 34.0 + warp;
        let saw = phase - phase.floor();
        let late = (saw * saw * saw) * (1.0 - ((saw - 0.94) / 0.06).clamp(0.0, 1.0)) * (1.5 - f / 8.0).clamp(0.0, 1.0);
        let fibre = 0.045 * grain(x, y, 1.1, 38.0, f, b ^ 6) + 0.035 * grain(x, y, 3.2, 120.0, f, b ^ 7);
        let cloud = 0.05 * smooth(x / 260.0, y / 700.0, b ^ 8);
        let pores = 0.05 * grain(x, y, 1.6, 6.0, f, b ^ 9).max(0.0);
        let mut tone =
            1.0 + t * (fibre + cloud - 0.24 * late - pores) + 0.06 * (uniform(board.0, board.1, s ^ 3) - 0.5);
        tone *= 1.0 - 0.55 * t.min(1.0) * knot;
        tone *= 1.0 - 0.75 * self.seam(x, y, f, (1220.0, 2440.0), 0.9);
        // Darker wood is redder.
        [0.60 * tone.powf(0.85), 0.455 * tone, 0.295 * tone.powf(1.2)]
    }

    fn rubber(&self, x: f64, y: f64, f: f64) -> [f64; 3] {
        let s = self.seed;
        let t = self.texture;
        let crumb = 0.20 * grain(x, y, 2.2, 2.2, f, s ^ 21) + 0.12 * grain(x, y, 5.0, 5.0, f, s ^ 22);
        let wear = 0.22 * smooth(x / 240.0, y / 200.0, s ^ 23) + 0.10 * smooth(x / 60.0, y / 45.0, s ^ 24);
        let mut tone = (1.0 + t * (crumb + wear)).max(0.3);
        tone *= 1.0 - 0.5 * self.seam(x, y, f, (1000.0, 1000.0), 1.0);
        let mut colour = [0.058 * tone, 0.057 * tone, 0.056 * tone];
        let (i, j) = ((x / 7.0).floor() as i64, (y / 7.0).floor() as i64);
        if uniform(i, j, s ^ 25) < 0.13 {
            let (cx, cy) = (
                (i as f64 + 0.25 + 0.5 * uniform(i, j, s ^ 26)) * 7.0,
                (j as f64 + 0.25 + 0.5 * uniform(i, j, s ^ 27)) * 7.0,
            );
            let size = 0.7 + 0.9 * uniform(i, j, s ^ 28);
            let a = 0.8
                * ((size - (x - cx).hypot(y - cy)) / f.max(0.3) + 0.5).clamp(0.0, 1.0)
                * (2.0 * size / f).powi(2).min(1.0);
            let fleck = if uniform(i, j, s ^ 29) < 0.6 { [0.16, 0.19, 0.24] } else { [0.26, 0.25, 0.24] };
            for (c, k) in colour.iter_mut().zip(fleck) {
                *c += t.min(1.0) * a * (k - *c);
            }
        }
        colour
    }

    /// Colour, and the joints' share.
    fn brick(&self, x: f64, y: f64, f: f64) -> ([f64; 3], f64) {
        let s = self.seed;
        let t = self.texture;
        let (pitch_x, pitch_y, joint) = (225.0, 75.0, 10.0);
        // Nothing hand-laid is straight.
        let (x, y) = (x + 1.6 * smooth(x / 60.0, y / 40.0, s ^ 31), y + 1.2 * smooth(x / 45.0, y / 60.0, s ^ 32));
        let j = (y / pitch_y).floor();
        let shift = if (j as i64).rem_euclid(2) == 0 { 0.0 } else { 0.5 * pitch_x };
        let i = ((x - shift) / pitch_x).floor();
        let (u, v) = (x - shift - i * pitch_x, y - j * pitch_y);
        let off = |w: f64, pitch: f64| w.min(pitch - w);
        let mortar = line_cover(off(u, pitch_x), 0.5 * joint, f).max(line_cover(off(v, pitch_y), 0.5 * joint, f));
        let (bi, bj) = (i as i64, j as i64);
        let own = uniform(bi, bj, s ^ 33) - 0.5;
        let rough = 0.13 * grain(x, y, 3.0, 3.0, f, s ^ 34)
            + 0.10 * grain(x, y, 11.0, 8.0, f, s ^ 35)
            + 0.06 * smooth(x / 40.0, y / 30.0, s ^ 36);
        let tone = 1.0 + t * (rough + 0.35 * own);
        let red = 0.04 * (uniform(bi, bj, s ^ 37) - 0.5);
        let sand = 1.0 + t * (0.12 * grain(x, y, 2.4, 2.4, f, s ^ 38) + 0.05 * smooth(x / 150.0, y / 150.0, s ^ 39));
        // Joints lie back: their upper edge is in shadow.
        let shadow = if v > pitch_y - 0.5 * joint { 0.72 } else { 1.0 };
        let (brick, grout) = ([0.37 + red, 0.185, 0.125], [0.44, 0.42, 0.38]);
        (std::array::from_fn(|c| brick[c] * tone * (1.0 - mortar) + grout[c] * sand * shadow * mortar), mortar)
    }

    fn concrete(&self, x: f64, y: f64, f: f64) -> [f64; 3] {
        let s = self.seed;
        let t = self.texture;
        let cloud = 0.09 * smooth(x / 400.0, y / 260.0, s ^ 41) + 0.06 * smooth(x / 110.0, y / 90.0, s ^ 42);
        let fine = 0.035 * grain(x, y, 2.0, 2.0, f, s ^ 43)
            + 0.03 * grain(x, y, 7.0, 6.0, f, s ^ 44)
            + 0.03 * smooth(x / 30.0, y / 26.0, s ^ 45);
        let mut tone = 1.0 + t * (cloud + fine);
        let (i, j) = ((x / 23.0).floor() as i64, (y / 23.0).floor() as i64);
        if uniform(i, j, s ^ 46) < 0.16 {
            let (cx, cy) = (
                (i as f64 + 0.2 + 0.6 * uniform(i, j, s ^ 47)) * 23.0,
                (j as f64 + 0.2 + 0.6 * uniform(i, j, s ^ 48)) * 23.0,
            );
            let size = 0.6 + 2.4 * uniform(i, j, s ^ 49).powi(3);
            let a = ((size - (x - cx).hypot(y - cy)) / f.max(0.3) + 0.5).clamp(0.0, 1.0)
                * (2.0 * size / f).powi(2).min(1.0);
            tone *= 1.0 - 0.6 * t.min(1.0) * a;
        }
        tone *= 1.0 - 0.35 * self.seam(x, y, f, (2500.0, 1250.0), 1.6);
        [0.43 * tone, 0.425 * tone, 0.41 * tone]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_walls_edges_move_smoothly_through_a_pixel() {
        let wall = Wall {
            kind: WallKind::Plain,
            low: WallPoint::new(0.0, 0.0),
            high: WallPoint::new(2.0, 2.0),
            texture: 1.0,
            seed: 1,
        };
        let f = 1e-3;
        // Source: by hand: half of a pixel on the edge is wall (0.5), half is room or floor.
        let at = |x: f64, y: f64| wall.albedo(WallPoint::new(x, y), f)[0];
        let half = 0.5 * (0.5 + ROOM[0]);
        assert!((at(1.0, 2.0) - half).abs() < 1e-6 && (at(0.0, 1.0) - half).abs() < 1e-6);
        for place in [|t: f64| (1.0, 2.0 + t), |t: f64| (2.0 + t, 1.0), |t: f64| (1.0, t)] {
            for i in -20..20 {
                let t = f64::from(i) * 0.05 * f;
                let ((x0, y0), (x1, y1)) = (place(t), place(t + 0.05 * f));
                // A twentieth of a pixel changes no more than a twentieth of the contrast.
                assert!((at(x1, y1) - at(x0, y0)).abs() < 0.051 * 0.5, "{t}");
            }
        }
        assert_eq!(at(1.0, 1.0), 0.5);
        assert_eq!(at(-0.1, 1.0), ROOM[0]);
    }
}
