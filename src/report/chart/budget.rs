//! What makes a setpoint's angle doubtful?
//!
//! A bar as long as the half width (k = 2) of each setpoint's mean, parted by how much each source adds to the
//! variance: variances add, half widths do not.

use super::axes::{Axes, plain, plot};
use super::rows::{LABELS_PX, Row, height_px, placed};
use super::{Canvas, Caption, Chart, Drawn, Ink, SERIES, Stand, figure, shorten};
use crate::error::Result;
use crate::report::model::Budget;
use crate::report::units::Units;
use crate::report::view::Names;

/// Sources with a colour of their own; the rest are drawn as one.
const NAMED: usize = SERIES - 1;
/// Bars beyond this are left to the table.
const MOST_DRAWN: usize = 60;
/// A part shows its number when it is at least this wide, px.
const NUMBERED_PX: f64 = 13.0;
/// Name of what differs from shot to shot and from volley to volley.
pub(in crate::report) const OWN: &str = "shots and volleys";

/// The sources shown, in the order of their whole share: first what is own.
pub(in crate::report) struct Parts {
    /// Names of the sources with a colour of their own.
    pub names: Vec<String>,
    /// Whether some sources are drawn together as the rest.
    pub rest: bool,
}

/// Which sources are shown by name: what is own, then those with the largest variance over all setpoints.
pub(in crate::report) fn parts(budgets: &[Budget]) -> Parts {
    let mut sums: Vec<(&str, f64)> = Vec::new();
    for line in budgets.iter().flat_map(|b| &b.lines) {
        let var = plain(line.u_deg).map_or(0.0, |u| u * u);
        match sums.iter_mut().find(|(name, _)| *name == line.name) {
            Some((_, sum)) => *sum += var,
            None => sums.push((&line.name, var)),
        }
    }
    sums.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut names = vec![OWN.to_string()];
    names.extend(sums.iter().take(NAMED - 1).map(|(name, _)| name.to_string()));
    Parts { names, rest: sums.len() >= NAMED }
}

impl Parts {
    /// Shares of the variance of one budget in the order of the names, the rest last; empty when all is 0.
    fn shares(&self, budget: &Budget) -> Vec<f64> {
        let square = |u: f64| plain(u).map_or(0.0, |u| u * u);
        let mut shares = vec![0.0; self.names.len() + 1];
        let mut add = |name: &str, var: f64| {
            let i = self.names.iter().position(|n| n == name).unwrap_or(self.names.len());
            if let Some(s) = shares.get_mut(i) {
                *s += var;
            }
        };
        add(OWN, square(budget.u_own_deg));
        budget.lines.iter().for_each(|l| add(&l.name, square(l.u_deg)));
        let whole: f64 = shares.iter().sum();
        if whole > 0.0 { shares.iter().map(|s| s / whole).collect() } else { Vec::new() }
    }
}

/// The chart; `None` when there is nothing to draw.
pub(in crate::report) fn budgets(
    budgets: &[Budget],
    parts: &Parts,
    names: &Names,
    units: Units,
    description: &str,
) -> Result<Option<Chart>> {
    let mut rows: Vec<Row<&Budget>> = Vec::new();
    let mut last = None;
    for b in budgets.iter().take(MOST_DRAWN) {
        if last != Some(&b.setup) {
            rows.push(Row::Heading(names.short(&b.setup)));
            last = Some(&b.setup);
        }
        rows.push(Row::Item(units.speed_words(b.setpoint_mps), b));
    }
    let longest = budgets.iter().filter_map(|b| plain(b.coverage * b.u_deg)).fold(0.0, f64::max);
    if longest <= 0.0 {
        return Ok(None);
    }
    let caption =
        Caption { id: "budget", title: "What makes the release angle of each setpoint doubtful", description };
    let axes = Axes {
        x: 0.0..1.06 * longest,
        y: 0.0..1.0,
        x_title: "± (95 %) of the mean release angle, deg",
        y_title: "",
        left_px: LABELS_PX,
        y_labels: false,
        whole_x: false,
    };
    let height = height_px(&rows);
    figure(&caption, [height; 3], |canvas| draw(canvas, &axes, &rows, parts)).map(Some)
}

fn draw(canvas: &Canvas, axes: &Axes, rows: &[Row<&Budget>], parts: &Parts) -> Drawn {
    let plot = plot(canvas, axes)?;
    for (y, row) in placed(rows) {
        let (label, budget) = match row {
            Row::Heading(text) => {
                let most = if canvas.narrow { 46 } else { 90 };
                canvas.text(&shorten(text, most), (2.0, y), Stand::Right, Ink::Text, true)?;
                continue;
            }
            Row::Item(label, budget) => (label, budget),
        };
        canvas.text(label, (LABELS_PX - 8.0, y), Stand::Left, Ink::Muted, false)?;
        let Some(whole) = plain(budget.coverage * budget.u_deg) else { continue };
        let mut from = 0.0;
        for (i, share) in parts.shares(budget).iter().enumerate().filter(|s| *s.1 > 0.0) {
            let to = from + share * whole;
            let (a, b) = (plot.x(from), plot.x(to));
            let named = i < parts.names.len();
            let (ink, opacity) = if named { (Ink::Series(i), 0.9) } else { (Ink::Muted, 0.45) };
            canvas.bar((a, y - 7.0), (b, y + 7.0), ink, opacity)?;
            canvas.line(&[(b, y - 7.0), (b, y + 7.0)], Ink::Paper, 1.2)?;
            if named && b - a >= NUMBERED_PX {
                canvas.text(&(i + 1).to_string(), (0.5 * (a + b) - 3.5, y), Stand::Right, Ink::Paper, true)?;
            }
            from = to;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::model::BudgetLine;
    use crate::study::Setup;

    #[test]
    fn shares_are_of_variance_and_add_to_one() {
        let line = |name: &str, u_deg| BudgetLine { name: name.into(), u_deg };
        let budget = Budget {
            to_halve: vec![],
            setup: Setup::default(),
            setpoint_mps: 20.0,
            u_deg: 5.0,
            coverage: 2.0,
            u_own_deg: 3.0,
            lines: vec![line("speed scale", 4.0)],
            advice: String::new(),
        };
        let parts = parts(std::slice::from_ref(&budget));
        assert_eq!(parts.names, ["shots and volleys", "speed scale"]);
        assert!(!parts.rest);
        let shares = parts.shares(&budget);
        // By hand: 9 / 25 and 16 / 25.
        assert!((shares[0] - 0.36).abs() < 1e-12 && (shares[1] - 0.64).abs() < 1e-12 && shares[2] == 0.0);
    }
}
