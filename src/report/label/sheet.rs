//! Where on the paper does each label stand?
//!
//! Common label papers by what they hold, all in millimetres; any other by its numbers.

use crate::error::{Error, Result};

use super::draw::LabelSize;

/// A paper with labels in columns and rows.
#[derive(Clone, Debug, PartialEq)]
pub struct LabelSheet {
    /// Its name.
    pub name: String,
    /// Width and height of the paper, mm.
    pub paper_mm: (f64, f64),
    /// Labels across and down.
    pub grid: (usize, usize),
    /// One label.
    pub label: LabelSize,
    /// From the paper's left and top edge to the first label, mm.
    pub margin_mm: (f64, f64),
    /// From a label's left and top edge to the next one's, mm.
    pub pitch_mm: (f64, f64),
}

/// A ready-made paper: name, paper, grid, label, margin, pitch; mm.
type Ready = (&'static str, (f64, f64), (usize, usize), (f64, f64), (f64, f64), (f64, f64));

const A4: (f64, f64) = (210.0, 297.0);
const LETTER: (f64, f64) = (215.9, 279.4);

/// Packets state sizes to a tenth of a millimetre: two that are added up may be this much off.
const PACKETS_ROUND_MM: f64 = 0.2;

/// Papers by name; sizes as commonly sold (from memory, no source: measure yours).
pub const SHEETS: [Ready; 8] = [
    ("a4-4", A4, (2, 2), (99.1, 139.0), (4.65, 9.5), (101.6, 139.0)),
    ("a4-8", A4, (2, 4), (99.1, 67.7), (4.65, 13.1), (101.6, 67.7)),
    ("a4-14", A4, (2, 7), (99.1, 38.1), (4.65, 15.15), (101.6, 38.1)),
    ("a4-21", A4, (3, 7), (63.5, 38.1), (7.25, 15.15), (66.0, 38.1)),
    ("letter-4", LETTER, (2, 2), (101.6, 127.0), (3.96, 12.7), (106.36, 127.0)),
    ("letter-6", LETTER, (2, 3), (101.6, 84.67), (3.96, 12.7), (106.36, 84.67)),
    ("letter-10", LETTER, (2, 5), (101.6, 50.8), (3.96, 12.7), (106.36, 50.8)),
    ("letter-14", LETTER, (2, 7), (101.6, 33.87), (3.96, 21.15), (106.36, 33.87)),
];

impl Default for LabelSheet {
    fn default() -> Self {
        Self::ready(&SHEETS[1])
    }
}

impl LabelSheet {
    fn ready(r: &Ready) -> Self {
        Self {
            name: r.0.into(),
            paper_mm: r.1,
            grid: r.2,
            label: LabelSize { width_mm: r.3.0, height_mm: r.3.1 },
            margin_mm: r.4,
            pitch_mm: r.5,
        }
    }

    /// How many labels a paper holds.
    pub fn count(&self) -> usize {
        self.grid.0.saturating_mul(self.grid.1)
    }

    /// Left and top edge of the label at a place, counted along rows from 0, mm from the paper's left and top.
    pub fn corner_mm(&self, place: usize) -> (f64, f64) {
        let (column, row) = (place % self.grid.0.max(1), place / self.grid.0.max(1));
        (self.margin_mm.0 + column as f64 * self.pitch_mm.0, self.margin_mm.1 + row as f64 * self.pitch_mm.1)
    }

    /// A paper of one's own: `PAPER:COLUMNSxROWS:WIDTHxHEIGHT:LEFT,TOP:GAPACROSS,GAPDOWN`, mm; PAPER is a4, letter or WIDTHxHEIGHT.
    fn own(text: &str) -> Option<Self> {
        let pair = |t: &str, by: char| -> Option<(f64, f64)> {
            let (a, b) = t.split_once(by)?;
            Some((a.trim().parse().ok()?, b.trim().parse().ok()?))
        };
        let parts: Vec<&str> = text.split(':').collect();
        let [paper, grid, label, margin, gap] = parts.as_slice() else { return None };
        let paper_mm = match paper.trim().to_ascii_lowercase().as_str() {
            "a4" => A4,
            "letter" => LETTER,
            other => pair(other, 'x')?,
        };
        let (columns, rows) = grid.split_once('x')?;
        let grid = (columns.trim().parse().ok()?, rows.trim().parse().ok()?);
        let (label, margin_mm, gap) = (pair(label, 'x')?, pair(margin, ',')?, pair(gap, ',')?);
        Some(Self {
            name: text.to_string(),
            paper_mm,
            grid,
            label: LabelSize { width_mm: label.0, height_mm: label.1 },
            margin_mm,
            pitch_mm: (label.0 + gap.0, label.1 + gap.1),
        })
    }

    fn check(self) -> Result<Self> {
        let bad = |what: String| Err(Error::usage(format!("label paper {}: {what}", self.name)));
        if self.count() == 0 || self.count() > 1000 {
            return bad(format!("{} x {} labels; 1 to 1000 fit a paper", self.grid.0, self.grid.1));
        }
        self.label.check()?;
        let numbers =
            [self.paper_mm.0, self.paper_mm.1, self.margin_mm.0, self.margin_mm.1, self.pitch_mm.0, self.pitch_mm.1];
        if numbers.iter().any(|n| !(0.0..=2000.0).contains(n)) {
            return bad("a size below 0 or above 2000 mm; write plain millimetres".into());
        }
        let over = |many: usize, pitch: f64, size: f64| many > 1 && pitch < size - PACKETS_ROUND_MM;
        if over(self.grid.0, self.pitch_mm.0, self.label.width_mm)
            || over(self.grid.1, self.pitch_mm.1, self.label.height_mm)
        {
            return bad("its labels would overlap; a gap is 0 or more".into());
        }
        let (x, y) = self.corner_mm(self.count() - 1);
        let (right, bottom) = (x + self.label.width_mm, y + self.label.height_mm);
        if right > self.paper_mm.0 + PACKETS_ROUND_MM || bottom > self.paper_mm.1 + PACKETS_ROUND_MM {
            return bad(format!(
                "its last label ends at {right:.1} x {bottom:.1} mm, outside of the paper's {} x {} mm; check margins and gaps",
                self.paper_mm.0, self.paper_mm.1
            ));
        }
        Ok(self)
    }
}

impl std::str::FromStr for LabelSheet {
    type Err = Error;

    fn from_str(s: &str) -> Result<Self> {
        if let Some(ready) = SHEETS.iter().find(|r| r.0.eq_ignore_ascii_case(s.trim())) {
            return Self::ready(ready).check();
        }
        match Self::own(s.trim()) {
            Some(own) => own.check(),
            None => Err(Error::usage(format!(
                "no label paper is called \"{s}\": choose {}, or describe yours in mm as PAPER:COLUMNSxROWS:WIDTHxHEIGHT:LEFT,TOP:GAPACROSS,GAPDOWN, \
                 such as a4:2x4:99.1x67.7:4.65,13.1:2.5,0",
                SHEETS.map(|r| r.0).join(", ")
            ))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_ready_paper_holds_its_labels_and_is_even() {
        for r in &SHEETS {
            let s: LabelSheet = r.0.parse().unwrap();
            let (x, y) = s.corner_mm(s.count() - 1);
            // Papers are the same turned round: left and right margins, top and bottom ones are equal.
            let right = s.paper_mm.0 - x - s.label.width_mm;
            let bottom = s.paper_mm.1 - y - s.label.height_mm;
            assert!((right - s.margin_mm.0).abs() < 0.15, "{}: left {} right {right}", s.name, s.margin_mm.0);
            assert!((bottom - s.margin_mm.1).abs() < 0.15, "{}: top {} bottom {bottom}", s.name, s.margin_mm.1);
        }
    }

    #[test]
    fn papers_of_ones_own() {
        let own: LabelSheet = "a4:2x4:99.1x67.7:4.65,13.1:2.5,0".parse().unwrap();
        assert_eq!((own.grid, own.label, own.pitch_mm), ((2, 4), LabelSheet::default().label, (101.6, 67.7)));
        assert_eq!(own.corner_mm(3), (106.25, 80.8));
        // One column has no gap across.
        assert!("a4:1x4:99.1x67.7:4.65,13.1:-20,0".parse::<LabelSheet>().is_ok());
        for bad in [
            "",
            "a4",
            "a4:2x5:99.1x67.7:4.65,13.1:2.5,0",
            "a4:0x4:99x67:1,1:0,0",
            "a4:1x1:nanx60:1,1:0,0",
            "a4:1x1:90x60:-3,1:0,0",
            "a4:2x4:99.1x67.7:4.65,13.1:-20,0",
            "a4:2x4:99.1x67.7:4.65,13.1:2.5,-3",
            "::::",
        ] {
            assert!(bad.parse::<LabelSheet>().is_err(), "{bad}");
        }
    }
}
