//! What goes to the printer so that every sheet comes out true to size?
//!
//! [`sheets_pdf`] writes one page a sheet: the board of [`super::geometry`] with its tags, the cross that
//! gives the sheet its place on the wall, the two bars that show at what scale it was really printed, and
//! the few words that the person at the printer needs. The same spec gives the same bytes, always.
//!
//! All black squares and tags of a page are **one** path: a renderer that antialiases its edges then has no
//! seam to show between modules that touch.
//!
//! Coordinates: [`SheetPoint`] millimetres from the board's top-left outer corner, u right and v down. The
//! board is centred across the page, [`TOP_MARGIN_MM`] below its top edge.

use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str};

use super::geometry::{self, COLUMNS, ROWS, SQUARE_MM, SheetGeometry, SheetPoint, TAG_MODULES, TAGS};
use super::tag36h11::{CODES, FAMILY};
use crate::error::{Error, Result};

/// Points (1/72 in) in a millimetre.
const POINTS_PER_MM: f64 = 72.0 / 25.4;

/// From the page's top edge to the board's, mm: room for printers that cannot reach the edge.
pub const TOP_MARGIN_MM: f64 = 10.0;

/// Nothing is drawn nearer to the page's edge than this, mm: what home printers leave white on three sides.
pub const PRINTABLE_MARGIN_MM: f64 = 5.0;

/// Sheets that the tag family has codes for.
pub const SHEETS_IN_FAMILY: usize = FAMILY / TAGS;

/// Smallest square, mm: its words are 2.5 points high, and a home printer's 0.1 mm is 5 % of its 1.9 mm modules.
pub const LEAST_SQUARE_MM: f64 = 20.0;

/// Largest square, mm: the page of the largest poster stays within the 5080 mm that PDF 1.7 allows (Annex C).
pub const LARGEST_SQUARE_MM: f64 = 1000.0;

/// Furthest that anything reaches to the right of the board's middle, on the standard sheet, mm: the words
/// beside the bar down.
const REACH_ACROSS_MM: f64 = 99.5;
/// Furthest down that anything reaches, on the standard sheet, mm from the board's top: the bar's ticks.
const REACH_DOWN_MM: f64 = 262.2;

/// Half the length of the ticks that end a bar, on the standard sheet, mm.
const TICK_HALF_MM: f64 = 2.0;
/// Width of the lines of crosses and bars, on the standard sheet, mm: thin enough for a ruler, thick enough
/// for any printer.
const LINE_MM: f64 = 0.3;

/// The paper that goes into the printer, portrait.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paper {
    /// ISO A4, 210 x 297 mm.
    A4,
    /// US Letter, 8.5 x 11 in.
    Letter,
    /// ISO A3, 297 x 420 mm.
    A3,
    /// US Tabloid, 11 x 17 in.
    Tabloid,
    /// As large as the squares ask for: for a copy shop's plotter.
    Poster,
}

impl Paper {
    /// The name a person would type.
    pub const fn name(self) -> &'static str {
        match self {
            Self::A4 => "a4",
            Self::Letter => "letter",
            Self::A3 => "a3",
            Self::Tabloid => "tabloid",
            Self::Poster => "poster",
        }
    }

    /// Width and height of the page for squares of `square_mm`, mm. Only a poster's depends on the squares.
    pub fn size_mm(self, square_mm: f64) -> (f64, f64) {
        match self {
            Self::A4 => (210.0, 297.0),
            Self::Letter => (8.5 * 25.4, 11.0 * 25.4),
            Self::A3 => (297.0, 420.0),
            Self::Tabloid => (11.0 * 25.4, 17.0 * 25.4),
            Self::Poster => {
                let scale = square_mm / SQUARE_MM;
                let across = 2.0 * (REACH_ACROSS_MM * scale + TOP_MARGIN_MM);
                (across.ceil(), (2.0 * TOP_MARGIN_MM + REACH_DOWN_MM * scale).ceil())
            }
        }
    }

    /// Largest square whose sheet stays [`PRINTABLE_MARGIN_MM`] clear of this paper's edges, mm.
    pub fn largest_square_mm(self) -> f64 {
        if self == Self::Poster {
            return LARGEST_SQUARE_MM;
        }
        let (width_mm, height_mm) = self.size_mm(SQUARE_MM);
        let across = (0.5 * width_mm - PRINTABLE_MARGIN_MM) / REACH_ACROSS_MM;
        let down = (height_mm - TOP_MARGIN_MM - PRINTABLE_MARGIN_MM) / REACH_DOWN_MM;
        SQUARE_MM * across.min(down)
    }
}

impl std::str::FromStr for Paper {
    type Err = Error;

    fn from_str(s: &str) -> Result<Self> {
        [Self::A4, Self::Letter, Self::A3, Self::Tabloid, Self::Poster]
            .into_iter()
            .find(|p| p.name().eq_ignore_ascii_case(s.trim()))
            .ok_or_else(|| {
                Error::usage(format!(
                    "no paper is called \"{s}\": choose a4, letter, a3, tabloid or poster (fits any square)"
                ))
            })
    }
}

/// Which sheets to draw.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetSpec {
    /// The paper in the printer.
    pub paper: Paper,
    /// Number of the first sheet, from 1.
    pub first: usize,
    /// How many sheets, one a page.
    pub count: usize,
    /// Side of a square, mm; 60 is the standard sheet, and everything else scales with it.
    pub square_mm: f64,
}

impl Default for SheetSpec {
    /// Eight standard sheets on A4, numbers 1 to 8: enough for any wall that fits into one photo.
    fn default() -> Self {
        Self { paper: Paper::A4, first: 1, count: 8, square_mm: SQUARE_MM }
    }
}

/// The sheets as a PDF, one a page, true to size when printed at 100 %.
///
/// Errors (all [`crate::ErrorKind::Usage`]): no sheet asked for, a number past [`SHEETS_IN_FAMILY`], squares that are too
/// small, too large, or too large for the paper; the sentence names the limit.
///
/// ```
/// use pockmark::sheet::draw::{Paper, SheetSpec, sheets_pdf};
/// let pdf = sheets_pdf(&SheetSpec { paper: Paper::Letter, count: 2, ..SheetSpec::default() })?;
/// assert!(pdf.starts_with(b"%PDF-"));
/// # Ok::<(), pockmark::Error>(())
/// ```
pub fn sheets_pdf(spec: &SheetSpec) -> Result<Vec<u8>> {
    check(spec)?;
    let (width_mm, height_mm) = spec.paper.size_mm(spec.square_mm);
    let page_size = Rect::new(0.0, 0.0, points(width_mm), points(height_mm));

    let mut pdf = Pdf::new();
    let reference = |n: usize| Ref::new(i32::try_from(n).unwrap_or(i32::MAX));
    let (catalog, pages, regular, bold) = (reference(1), reference(2), reference(3), reference(4));
    let page_ref = |i: usize| (reference(5 + 2 * i), reference(6 + 2 * i));

    let mut root = pdf.catalog(catalog);
    root.pages(pages);
    // Asks print dialogues to start at 100 %.
    root.viewer_preferences().pair(Name(b"PrintScaling"), Name(b"None"));
    root.finish();
    pdf.pages(pages).kids((0..spec.count).map(|i| page_ref(i).0)).count(i32::try_from(spec.count).unwrap_or(i32::MAX));
    for (font, name) in [(regular, Name(b"Helvetica")), (bold, Name(b"Helvetica-Bold"))] {
        pdf.type1_font(font).base_font(name).encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    for i in 0..spec.count {
        let (page_id, content_id) = page_ref(i);
        let mut page = pdf.page(page_id);
        page.media_box(page_size).parent(pages).contents(content_id);
        page.resources().fonts().pair(REGULAR, regular).pair(BOLD, bold);
        page.finish();
        let pen = Pen::new(spec.square_mm, width_mm, height_mm);
        pdf.stream(content_id, &pen.sheet(spec.first + i));
    }
    Ok(pdf.finish())
}

fn check(spec: &SheetSpec) -> Result<()> {
    let SheetSpec { paper, first, count, square_mm } = *spec;
    if count == 0 {
        return Err(Error::usage("0 sheets asked for: ask for at least 1 (8 suit most walls)"));
    }
    if first == 0 {
        return Err(Error::usage(format!(
            "a first sheet of number 0 asked for, but sheets are numbered from 1 to {SHEETS_IN_FAMILY}: begin with 1 or more"
        )));
    }
    let last = first.saturating_add(count - 1);
    if last > SHEETS_IN_FAMILY {
        return Err(Error::usage(format!(
            "sheets {first} to {last} asked for, but sheets are numbered 1 to {SHEETS_IN_FAMILY}: the tag family has no codes for more"
        )));
    }
    if !(LEAST_SQUARE_MM..=LARGEST_SQUARE_MM).contains(&square_mm) {
        return Err(Error::usage(format!(
            "squares of {square_mm} mm asked for: they can be {LEAST_SQUARE_MM} to {LARGEST_SQUARE_MM} mm (60 is the standard)"
        )));
    }
    let largest_mm = paper.largest_square_mm();
    if square_mm > largest_mm {
        return Err(Error::usage(format!(
            "squares of {square_mm} mm do not fit {} paper, which takes up to {:.1} mm: choose smaller squares, larger paper (a3, tabloid), or \
             paper \"poster\", whose page grows to fit",
            paper.name(),
            (largest_mm * 10.0).floor() / 10.0
        )));
    }
    Ok(())
}

const REGULAR: Name<'static> = Name(b"R");
const BOLD: Name<'static> = Name(b"B");

fn points(mm: f64) -> f32 {
    (mm * POINTS_PER_MM) as f32
}

/// Draws in sheet millimetres onto a page.
struct Pen {
    geometry: SheetGeometry,
    /// Board millimetres over standard board millimetres.
    scale: f64,
    left_mm: f64,
    height_mm: f64,
    content: Content,
}

impl Pen {
    fn new(square_mm: f64, width_mm: f64, height_mm: f64) -> Self {
        let geometry = SheetGeometry::of_square(square_mm);
        let left_mm = 0.5 * (width_mm - COLUMNS as f64 * square_mm);
        Self { geometry, scale: square_mm / SQUARE_MM, left_mm, height_mm, content: Content::new() }
    }

    fn sheet(mut self, number: usize) -> Vec<u8> {
        self.content.set_fill_gray(0.0);
        self.board(number);
        self.lines();
        self.words(number);
        self.content.finish().into_vec()
    }

    /// Page points (from the bottom left) of a sheet point.
    fn at(&self, p: SheetPoint) -> (f32, f32) {
        (points(self.left_mm + p.u_mm), points(self.height_mm - TOP_MARGIN_MM - p.v_mm))
    }

    /// A point given in millimetres of the standard sheet.
    fn standard(&self, u_mm: f64, v_mm: f64) -> SheetPoint {
        SheetPoint { u_mm: u_mm * self.scale, v_mm: v_mm * self.scale }
    }

    fn loop_path(&mut self, corners: impl IntoIterator<Item = SheetPoint>) {
        for (i, p) in corners.into_iter().enumerate() {
            let (x, y) = self.at(p);
            if i == 0 {
                self.content.move_to(x, y)
            } else {
                self.content.line_to(x, y)
            };
        }
        self.content.close_path();
    }

    fn rectangle(&mut self, u0_mm: f64, v0_mm: f64, u1_mm: f64, v1_mm: f64) {
        let corners = [(u0_mm, v0_mm), (u1_mm, v0_mm), (u1_mm, v1_mm), (u0_mm, v1_mm)];
        self.loop_path(corners.map(|(u_mm, v_mm)| SheetPoint { u_mm, v_mm }));
    }

    /// Squares and tags as one path.
    fn board(&mut self, number: usize) {
        let side = self.geometry.square_mm;
        for row in 0..ROWS {
            for column in (0..COLUMNS).filter(|&c| geometry::is_black(row, c)) {
                let (u, v) = (column as f64 * side, row as f64 * side);
                self.rectangle(u, v, u + side, v + side);
            }
        }
        let module_mm = self.geometry.tag_mm / TAG_MODULES as f64;
        for slot in 0..TAGS {
            let origin = self.geometry.tag_origin(slot);
            let code = CODES.get(geometry::tag_of_sheet(number, slot)).copied().unwrap_or(0);
            for outline in outlines(&modules(code)) {
                self.loop_path(outline.into_iter().map(|(column, row)| SheetPoint {
                    u_mm: origin.u_mm + column as f64 * module_mm,
                    v_mm: origin.v_mm + row as f64 * module_mm,
                }));
            }
        }
        self.content.fill_even_odd();
    }

    /// The cross and the two bars with their ticks.
    fn lines(&mut self) {
        let half = 0.5 * LINE_MM * self.scale;
        let tick = TICK_HALF_MM * self.scale;
        let (cross, arm) = (self.geometry.cross(), self.geometry.cross_arm_mm());
        let ([a, b], [top, bottom]) = (self.geometry.bar_across(), self.geometry.bar_down());
        let mut bars = vec![
            (cross.u_mm - arm, cross.v_mm - half, cross.u_mm + arm, cross.v_mm + half),
            (cross.u_mm - half, cross.v_mm - arm, cross.u_mm + half, cross.v_mm + arm),
            (a.u_mm, a.v_mm - half, b.u_mm, b.v_mm + half),
            (top.u_mm - half, top.v_mm, top.u_mm + half, bottom.v_mm),
        ];
        bars.extend([a, b].map(|p| (p.u_mm - half, p.v_mm - tick, p.u_mm + half, p.v_mm + tick)));
        bars.extend([top, bottom].map(|p| (p.u_mm - tick, p.v_mm - half, p.u_mm + tick, p.v_mm + half)));
        for (u0, v0, u1, v1) in bars {
            self.rectangle(u0, v0, u1, v1);
        }
        self.content.fill_nonzero();
    }

    fn words(&mut self, number: usize) {
        // Which way is up: an arrow beside the sheet's number.
        let arrow = [(3.0, 254.0), (3.0, 248.5), (1.0, 248.5), (4.5, 243.8), (8.0, 248.5), (6.0, 248.5), (6.0, 254.0)];
        let arrow = arrow.map(|(u, v)| self.standard(u, v));
        self.loop_path(arrow);
        self.content.fill_nonzero();
        self.text(BOLD, 7.0, (1.6, 257.3), false, "UP");
        self.text(BOLD, 24.0, (15.0, 252.5), false, &format!("Sheet {number}"));

        let millimetres = |standard_mm: f64| {
            let mm = standard_mm * self.scale;
            if (mm - mm.round()).abs() < 0.005 { format!("{mm:.0}") } else { format!("{mm:.2}") }
        };
        let (across, down) = (millimetres(150.0), millimetres(200.0));
        self.text(REGULAR, 7.5, (16.5, 258.6), false, &format!("{across} mm between the middles of the ticks"));
        self.text(REGULAR, 6.5, (189.0, 216.0), true, &format!("{down} mm between the middles of the ticks"));

        self.text(BOLD, 11.0, (102.0, 248.2), false, "Print at 100 % (actual size)");
        self.text(REGULAR, 7.5, (102.0, 252.3), false, "never \"fit to page\". Then measure both bars with a steel");
        self.text(REGULAR, 7.5, (102.0, 255.6), false, "ruler and write down what they measure.");
    }

    /// Words with their baseline's left end at a point of the standard sheet; `up`: reading upwards.
    fn text(&mut self, font: Name<'_>, size_pt: f64, at: (f64, f64), up: bool, words: &str) {
        let (x, y) = self.at(self.standard(at.0, at.1));
        let turn = if up { [0.0, 1.0, -1.0, 0.0] } else { [1.0, 0.0, 0.0, 1.0] };
        self.content.begin_text().set_font(font, (size_pt * self.scale) as f32);
        self.content.set_text_matrix([turn[0], turn[1], turn[2], turn[3], x, y]).show(Str(words.as_bytes())).end_text();
    }
}

/// Black modules of a tag with its border, row by row.
type Modules = [[bool; TAG_MODULES]; TAG_MODULES];

/// The black modules (true) of the tag with this code, its black border included.
pub fn modules(code: u64) -> [[bool; TAG_MODULES]; TAG_MODULES] {
    let inner = TAG_MODULES - 2;
    std::array::from_fn(|row| {
        std::array::from_fn(|column| {
            let inside = (1..=inner).contains(&row) && (1..=inner).contains(&column);
            !inside || (code >> (inner * inner - 1 - ((row - 1) * inner + column - 1))) & 1 == 0
        })
    })
}

/// The closed outlines that part black from white, corners as (column, row). Every stretch of edge occurs in
/// exactly one outline, once, so an even-odd fill of them all is the tag.
fn outlines(black: &Modules) -> Vec<Vec<(usize, usize)>> {
    let is_black = |column: isize, row: isize| -> bool {
        let (Ok(c), Ok(r)) = (usize::try_from(column), usize::try_from(row)) else { return false };
        black.get(r).and_then(|line| line.get(c)).copied().unwrap_or(false)
    };
    let n = TAG_MODULES as isize;
    // Unit edges, walked with black on the right hand (v down), still to be used.
    let mut edges: Vec<((isize, isize), (isize, isize))> = Vec::new();
    for row in 0..n {
        for column in (0..n).filter(|&c| is_black(c, row)) {
            let corners = [(column, row), (column + 1, row), (column + 1, row + 1), (column, row + 1)];
            let outside = [(column, row - 1), (column + 1, row), (column, row + 1), (column - 1, row)];
            for (i, (c, r)) in outside.into_iter().enumerate() {
                if !is_black(c, r) {
                    edges.push((corners[i], corners[(i + 1) % 4]));
                }
            }
        }
    }
    let mut loops = Vec::new();
    while let Some((start, mut end)) = edges.pop() {
        let mut path = vec![start];
        while end != start {
            path.push(end);
            let Some(next) = edges.iter().position(|e| e.0 == end) else { break };
            end = edges.swap_remove(next).1;
        }
        loops.push(corners_only(&path));
    }
    loops
}

/// The corners of a closed path of unit steps: points where it does not go straight on.
fn corners_only(path: &[(isize, isize)]) -> Vec<(usize, usize)> {
    let n = path.len();
    (0..n)
        .filter(|&i| {
            let (before, after) = (path[(i + n - 1) % n], path[(i + 1) % n]);
            before.0 != after.0 && before.1 != after.1
        })
        .map(|i| (path[i].0.unsigned_abs(), path[i].1.unsigned_abs()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outlines_filled_even_odd_are_the_tag() {
        for code in [CODES[0], CODES[17], CODES[586], 0, 0xf_ffff_ffff] {
            let black = modules(code);
            let loops = outlines(&black);
            for (row, line) in black.iter().enumerate() {
                for (column, &want) in line.iter().enumerate() {
                    // Upright edges to the left of the module's middle, over all outlines.
                    let crossings = loops
                        .iter()
                        .flat_map(|l| (0..l.len()).map(|i| (l[i], l[(i + 1) % l.len()])))
                        .filter(|(a, b)| a.0 == b.0 && a.0 <= column && a.1.min(b.1) <= row && row < a.1.max(b.1))
                        .count();
                    assert_eq!(crossings % 2 == 1, want, "code {code:x} row {row} column {column}");
                }
            }
        }
    }

    #[test]
    fn the_border_is_black_and_the_first_bit_is_top_left() {
        let black = modules(1 << 35);
        assert!(black[0].iter().chain(&black[7]).all(|&b| b));
        assert!(!black[1][1] && black[1][2] && black[2][1]);
    }

    #[test]
    fn the_standard_sheet_fits_both_papers() {
        for paper in [Paper::A4, Paper::Letter] {
            assert!(paper.largest_square_mm() >= SQUARE_MM, "{paper:?}: {}", paper.largest_square_mm());
        }
    }
}
