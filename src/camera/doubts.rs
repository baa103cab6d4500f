//! What about a calibration needs a person's look, when it is made and whenever it is used?

use super::wall::Wall;

/// The largest tape disagreement that its u explains, in u.
const TAPE_LIMIT_U: f64 = 3.0;
/// Nobody reads a tape to less than this, mm, whatever is stated.
const LEAST_TAPE_U_MM: f64 = 0.1;
/// A focal length less certain than this share (u) leaves places far from the sheets unsure.
const FOCAL_U: f64 = 0.01;
/// Sheets hang upright but for some degrees; from here on, degrees, the usual one lies on its side, or stands on its head.
const ON_ITS_SIDE_DEG: f64 = 45.0;
const ON_ITS_HEAD_DEG: f64 = 135.0;

impl Wall {
    /// What a person should look at, a sentence each: what is wrong, where, what to do. Empty when all is well.
    pub fn needs_look(&self) -> Vec<String> {
        let tapes = self.tapes_that_are_off();
        let all = tapes.into_iter().chain(self.turned_wall()).chain(self.quality.warnings.iter().cloned());
        all.chain(self.unsure_lens()).collect()
    }

    /// All of them: which one was read wrong, the adjustment cannot tell where they share a sheet.
    fn tapes_that_are_off(&self) -> Option<String> {
        let off = self.quality.tapes.iter().filter(|t| t.off_mm.abs() > TAPE_LIMIT_U * t.u_mm.max(LEAST_TAPE_U_MM));
        let each: Vec<String> = off
            .map(|t| {
                let way = if t.off_mm > 0.0 { "longer" } else { "shorter" };
                let ([a, b], by_mm) = (t.sheets, t.off_mm.abs());
                format!("of sheets {a} and {b} ({:.1} mm, {by_mm:.1} mm {way})", t.distance_mm)
            })
            .collect();
        let (what, are) = match each.as_slice() {
            [] => return None,
            [one] => (format!("the tape distance {one}"), "is other than it comes"),
            more => (format!("the tape distances {}", more.join(" and ")), "are other than they come"),
        };
        Some(format!(
            "{what} {are} out of the photos and the other lengths, by far more than stated: measure again, the printed bars too, then correct session.toml and calibrate again"
        ))
    }

    /// Sheets have an arrow that points up: where most of them lie on their side, the line that says what is level is none.
    fn turned_wall(&self) -> Option<String> {
        // Where sheets are turned alike, half a turn less and half a turn more are the same.
        let turn = |deg: f64| (deg + 180.0).rem_euclid(360.0) - 180.0;
        let mut turns: Vec<f64> = self.sheets.iter().map(|s| turn(s.turn_deg).abs()).collect();
        turns.sort_by(f64::total_cmp);
        let usual = *turns.get(turns.len() / 2)?;
        if usual < ON_ITS_SIDE_DEG {
            return None;
        }
        let line = |key: &str| self.made_with.get(&format!("wall.{key}"));
        let what = match (line("level_sheets"), line("plumb_sheets")) {
            _ if usual > ON_ITS_HEAD_DEG => "do their arrows point up?".to_string(),
            (Some(pair), _) => format!(
                "level_sheets = {pair} says that these two hang side by side; if one hangs above the other, write plumb_sheets = {pair} in its place"
            ),
            (_, Some(pair)) => format!(
                "plumb_sheets = {pair} says that these two hang one above the other; if they hang side by side, write level_sheets = {pair} in its place"
            ),
            _ => "do their arrows point up?".to_string(),
        };
        Some(format!("most sheets come out turned by {usual:.0} deg, and the wall with them: {what}"))
    }

    fn unsure_lens(&self) -> Option<String> {
        let row = self.row("fx")?;
        let variance = self.covariance.rows.get(row)?.get(row)?;
        (variance.max(0.0).sqrt() > FOCAL_U * self.camera.fx).then(|| {
            "the lens is hardly known: add photos of the sheets from other sides, tilted up to 45 deg, filling the picture"
                .to_string()
        })
    }
}
