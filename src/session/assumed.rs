//! Which inputs did nobody measure, and what was taken instead?
//!
//! Two lists for the reader of a report: what was written without a doubt and is therefore taken as exact, and what
//! was not written at all.

use serde::Serialize;

use super::located::StatedInput;
use super::spec::{BAR_ACROSS_M, DEG, Level, SessionSpec, UNMEASURED_LEAN_U_RAD};
use crate::sheet::geometry::SQUARE_MM;

/// An input that nobody wrote, and what was taken instead.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct AssumedInput {
    /// Section and key.
    pub key: &'static str,
    /// What was taken instead, one sentence.
    pub sentence: String,
}

impl SessionSpec {
    /// The inputs written without ± (or with ± 0), which are therefore taken as exact. The sheet's
    /// square, the expected mark sizes, `matters` and the speed scale are choices, not measurements.
    pub fn exact_inputs(&self) -> Vec<&StatedInput> {
        const CHOICES: &[&str] = &[
            "sheets.square",
            "sheets.board.tag",
            "marks.smallest",
            "marks.largest",
            "study.matters",
            "speed.scale",
            "wall.bottom",
            "wall.top",
            "impacts.plus_minus",
        ];
        self.stated.iter().filter(|s| s.quantity.is_exact() && !CHOICES.contains(&s.key.as_str())).collect()
    }

    /// The inputs nobody wrote, and what was taken instead.
    pub fn assumed_inputs(&self) -> Vec<AssumedInput> {
        let scale = self.sheets.square_mm / SQUARE_MM;
        let bar = |nominal: f64| {
            format!(
                "not measured; the sheets' own scale is unsure until it is (it should be {:.1} mm)",
                nominal * scale * 1e3
            )
        };
        let lean = format!("not measured; taken as upright within {:.1} deg", 2.0 * UNMEASURED_LEAN_U_RAD / DEG);
        let missing: [(bool, &'static str, String); 10] = [
            (!self.wall.origin_sheet_stated, "wall.origin_sheet", "not stated; sheet 1 is the origin".into()),
            (
                self.wall.level == Level::OriginSheet,
                "wall.level_sheets",
                "not stated; the origin sheet is taken to hang straight".into(),
            ),
            (self.wall.printed_bar.is_none(), "wall.printed_bar", bar(BAR_ACROSS_M)),
            (
                self.wall.printed_bar_down.is_none(),
                "wall.printed_bar_down",
                "not measured; the sheets are taken to be scaled alike across and down unless the photos say otherwise"
                    .into(),
            ),
            (self.wall.lean.is_none(), "wall.lean", lean),
            (
                self.machine.plane_turn.is_none(),
                "machine.plane_turn",
                "not measured; the arm is taken to swing square to the wall".into(),
            ),
            (
                self.machine.off_tangent.is_none(),
                "machine.off_tangent",
                "not measured; the ball is taken to leave along the arm's tangent".into(),
            ),
            (
                self.ball.drag_coefficient.is_none(),
                "ball.drag_coefficient",
                "not measured; the curve of a smooth sphere is used".into(),
            ),
            (self.ball.spin.is_none(), "ball.spin", "not measured; no spin is taken, with a doubt of its own".into()),
            (
                self.air.humidity.is_none(),
                "air.humidity",
                "not measured; anything from 0 % to 100 % is taken as possible".into(),
            ),
        ];
        missing
            .into_iter()
            .filter(|(absent, ..)| *absent)
            .map(|(_, key, sentence)| AssumedInput { key, sentence })
            .collect()
    }
}
