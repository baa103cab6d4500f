//! What does the person at the machine hold in the hand, to tick off volley by volley?
//!
//! [`run_sheet`] draws the order of a day on paper: large boxes to tick, room to write each speed reading, wipes and warm-ups in their place,
//! the rules that hold all day. The same sheet gives the same bytes, always.

use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str};

use super::win_ansi::win_ansi;
use crate::sheet::draw::Paper;

/// Points (1/72 in) in a millimetre.
const POINTS_PER_MM: f64 = 72.0 / 25.4;
/// White edge, mm: more than any home printer needs, and room for a clip.
const MARGIN_MM: f64 = 13.0;
/// Height of a row, mm: room to write in by hand with a glove on.
const ROW_MM: f64 = 11.0;
/// Height of a line that says what to do to the wall, mm.
const WALL_ROW_MM: f64 = 9.0;
/// Room for page numbers below, mm.
const FOOT_MM: f64 = 7.0;
/// Most boxes for readings in a row; with more shots there is room for their mean and spread only.
const MOST_READINGS: u32 = 8;
/// Grey of what is printed but not read first.
const GREY: f32 = 0.42;
const BLACK: f32 = 0.0;
/// Grey behind wall lines and the table's head.
const SHADE: f32 = 0.9;

const REGULAR: Name<'static> = Name(b"R");
const BOLD: Name<'static> = Name(b"B");

/// One line to tick off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RunLine {
    /// Something to do to the wall, and a photo of it.
    Wall(String),
    /// A volley.
    Volley {
        /// Its name.
        name: String,
        /// What is shot: "pocket low, mesh soft".
        setup: String,
        /// The speed aimed at, with its unit.
        speed: String,
        /// A word behind the setup: "reference".
        remark: String,
    },
}

/// A day's sheet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunSheet {
    /// The session's title.
    pub title: String,
    /// One line below it: how many volleys, balls, photos.
    pub summary: String,
    /// Rules that hold all day, a sentence each.
    pub rules: Vec<String>,
    /// Unit of the readings.
    pub unit: String,
    /// Shots a volley.
    pub shots: u32,
    /// The day in order.
    pub lines: Vec<RunLine>,
    /// A word at every page's foot: version, seed.
    pub foot: String,
}

/// Widths of the printable ASCII characters of Helvetica, in thousandths of the font's size.
/// Source: Adobe's font metrics of the standard 14 fonts (Helvetica).
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556,
    556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833,
    722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556,
    556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334,
    260, 334, 584,
];
/// Bold letters are wider than regular ones by up to this factor.
const BOLD_WIDER: f64 = 1.1;

/// Width of a text, mm.
fn width_mm(text: &str, size_pt: f64, bold: bool) -> f64 {
    let of = |b: u8| b.checked_sub(32).and_then(|i| WIDTHS.get(usize::from(i))).copied().unwrap_or(667);
    let thousandths: f64 = win_ansi(text).into_iter().map(|b| f64::from(of(b))).sum();
    thousandths * 1e-3 * size_pt / POINTS_PER_MM * if bold { BOLD_WIDER } else { 1.0 }
}

/// The text cut to a width, with dots where it was cut.
fn fitted(text: &str, width: f64, size_pt: f64, bold: bool) -> String {
    if width_mm(text, size_pt, bold) <= width {
        return text.to_string();
    }
    let mut kept: String = text.to_string();
    while !kept.is_empty() && width_mm(&kept, size_pt, bold) + width_mm("...", size_pt, bold) > width {
        kept.pop();
    }
    kept.trim_end().to_string() + "..."
}

/// The text in lines that fit a width.
fn wrapped(text: &str, width: f64, size_pt: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if width_mm(&format!("{line} {word}"), size_pt, false) <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(fitted(word, width, size_pt, false)),
        }
    }
    lines
}

fn points(mm: f64) -> f32 {
    (mm * POINTS_PER_MM) as f32
}

/// Draws in millimetres from the page's top left.
struct Pen {
    height_mm: f64,
    content: Content,
}

impl Pen {
    fn text(&mut self, at: (f64, f64), size_pt: f64, bold: bool, grey: f32, words: &str) {
        self.content.set_fill_gray(grey);
        self.content.begin_text().set_font(if bold { BOLD } else { REGULAR }, size_pt as f32);
        self.content.set_text_matrix([1.0, 0.0, 0.0, 1.0, points(at.0), points(self.height_mm - at.1)]);
        self.content.show(Str(&win_ansi(words))).end_text();
    }

    fn shade(&mut self, (x, y): (f64, f64), (w, h): (f64, f64)) {
        self.content.set_fill_gray(SHADE);
        self.content.rect(points(x), points(self.height_mm - y - h), points(w), points(h)).fill_nonzero();
    }

    fn frame(&mut self, (x, y): (f64, f64), (w, h): (f64, f64), line_mm: f64, grey: f32) {
        self.content.set_stroke_gray(grey).set_line_width(points(line_mm));
        self.content.rect(points(x), points(self.height_mm - y - h), points(w), points(h)).stroke();
    }

    fn rule(&mut self, (x, y): (f64, f64), length: f64, grey: f32) {
        self.content.set_stroke_gray(grey).set_line_width(points(0.2));
        self.content.move_to(points(x), points(self.height_mm - y));
        self.content.line_to(points(x + length), points(self.height_mm - y)).stroke();
    }
}

/// Where the columns stand, mm from the page's left edge, and how wide each is.
struct Columns {
    left: f64,
    width: f64,
    name: f64,
    setup: f64,
    setup_width: f64,
    speed: f64,
    readings: f64,
    box_width: f64,
    boxes: u32,
    mean: f64,
    mean_width: f64,
    photo: f64,
}

/// Side of a box to tick, mm.
const TICK_MM: f64 = 6.5;

impl Columns {
    fn new(page_width: f64, shots: u32) -> Self {
        let left = MARGIN_MM;
        let width = page_width - 2.0 * MARGIN_MM;
        let name = left + TICK_MM + 3.0;
        let setup = name + 13.0;
        let photo = left + width - TICK_MM;
        let mean_width = 17.0;
        let mean = photo - 3.0 - mean_width;
        // Many shots: their mean and spread only, a box each.
        let boxes = if shots > MOST_READINGS { 1 } else { shots.max(1) };
        let box_width = (72.0 / f64::from(boxes)).min(if shots > MOST_READINGS { mean_width } else { 14.0 });
        let readings = mean - 2.0 - f64::from(boxes) * box_width;
        let speed = readings - 21.0;
        Self {
            left,
            width,
            name,
            setup,
            setup_width: speed - setup - 2.0,
            speed,
            readings,
            box_width,
            boxes,
            mean,
            mean_width,
            photo,
        }
    }
}

struct Drawing<'a> {
    sheet: &'a RunSheet,
    columns: Columns,
    page: (f64, f64),
    pen: Pen,
    y: f64,
    done: Vec<Vec<u8>>,
}

impl Drawing<'_> {
    fn bottom(&self) -> f64 {
        self.page.1 - MARGIN_MM - FOOT_MM
    }

    fn turn(&mut self) {
        let fresh = Pen { height_mm: self.page.1, content: Content::new() };
        let full = std::mem::replace(&mut self.pen, fresh);
        self.done.push(full.content.finish().into_vec());
        self.y = MARGIN_MM;
        self.table_head();
    }

    fn head(&mut self) {
        let (left, width) = (self.columns.left, self.columns.width);
        self.pen.text(
            (left, self.y + 6.0),
            18.0,
            true,
            BLACK,
            &fitted(&format!("Run sheet: {}", self.sheet.title), width, 18.0, true),
        );
        self.pen.text((left, self.y + 12.0), 10.0, false, BLACK, &fitted(&self.sheet.summary, width, 10.0, false));
        self.y += 17.0;
        // To fill in by hand.
        let blanks = [("Date", 0.24), ("Who", 0.26), ("Temperature", 0.25), ("Pressure", 0.25)];
        let mut x = left;
        for (word, share) in blanks {
            self.pen.text((x, self.y + 5.0), 9.0, false, GREY, word);
            let used = width_mm(word, 9.0, false) + 1.5;
            self.pen.rule((x + used, self.y + 5.5), share * width - used - 3.0, GREY);
            x += share * width;
        }
        self.y += 9.0;
        for rule in &self.sheet.rules {
            for (i, line) in wrapped(rule, width - 4.0, 9.0).into_iter().enumerate() {
                if i == 0 {
                    self.pen.text((left, self.y + 3.5), 9.0, true, BLACK, "-");
                }
                self.pen.text((left + 3.0, self.y + 3.5), 9.0, false, BLACK, &line);
                self.y += 4.2;
            }
        }
        self.y += 3.0;
        self.table_head();
    }

    fn table_head(&mut self) {
        let c = &self.columns;
        self.pen.shade((c.left, self.y), (c.width, 7.0));
        let unit = &self.sheet.unit;
        let readings =
            if self.sheet.shots > MOST_READINGS { "spread".to_string() } else { format!("readings, {unit}") };
        let words = [
            (c.left + 0.6, "shot".to_string()),
            (c.name, "volley".into()),
            (c.setup, "setup".into()),
            (c.speed, "speed".into()),
            (c.readings, readings),
            (c.mean, format!("mean, {unit}")),
            (c.photo - 2.6, "photo".into()),
        ];
        for (x, word) in words {
            self.pen.text((x, self.y + 4.8), 8.5, false, BLACK, &word);
        }
        self.y += 7.0 + 1.0;
    }

    fn wall(&mut self, words: &str) {
        let c = &self.columns;
        let (x, y) = (c.left, self.y + 0.6);
        self.pen.shade((x, y), (c.width, WALL_ROW_MM - 1.2));
        let up = 0.5 * (WALL_ROW_MM - 1.2 - TICK_MM);
        let (name, photo) = (c.name, c.photo);
        let room = photo - name - 4.0;
        self.white((photo, y + up));
        self.pen.text((name, y + 5.2), 10.0, true, BLACK, &fitted(words, room, 10.0, true));
        self.y += WALL_ROW_MM;
    }

    /// A white box to tick.
    fn white(&mut self, at: (f64, f64)) {
        self.pen.content.set_fill_gray(1.0);
        let (w, h) = (points(TICK_MM), points(TICK_MM));
        self.pen.content.rect(points(at.0), points(self.pen.height_mm - at.1 - TICK_MM), w, h).fill_nonzero();
        self.pen.frame(at, (TICK_MM, TICK_MM), 0.45, BLACK);
    }

    fn volley(&mut self, name: &str, setup: &str, speed: &str, remark: &str) {
        let c = &self.columns;
        let y = self.y;
        let up = 0.5 * (ROW_MM - TICK_MM);
        let base = y + 0.5 * ROW_MM + 1.6;
        self.pen.text((c.name, base), 12.0, true, BLACK, &fitted(name, 11.0, 12.0, true));
        // A setup is never cut where smaller letters on more lines still show it whole.
        let whole = if remark.is_empty() { setup.to_string() } else { format!("{setup} ({remark})") };
        let (size, most) = [(11.0, 1), (9.0, 2), (7.5, 3)]
            .into_iter()
            .find(|(size, most)| {
                let lines = wrapped(&whole, c.setup_width, *size);
                lines.len() <= *most && !lines.iter().any(|l| l.ends_with("..."))
            })
            .unwrap_or((7.5, 3));
        let mut lines = wrapped(&whole, c.setup_width, size);
        if lines.len() > most {
            lines.truncate(most);
            if let Some(last) = lines.last_mut() {
                *last = fitted(&format!("{last} ........."), c.setup_width, size, false);
            }
        }
        let step = 1.2 * size / POINTS_PER_MM;
        let first = base - 0.5 * step * (lines.len() as f64 - 1.0) - if size < 11.0 { 0.3 } else { 0.0 };
        for (i, line) in lines.iter().enumerate() {
            self.pen.text((c.setup, first + step * i as f64), size, false, BLACK, line);
        }
        self.pen.text((c.speed, base), 12.0, true, BLACK, &fitted(speed, 20.0, 12.0, true));
        for i in 0..c.boxes {
            let x = c.readings + f64::from(i) * c.box_width;
            self.pen.frame((x, y + 1.2), (c.box_width, ROW_MM - 2.4), 0.2, GREY);
        }
        self.pen.frame((c.mean, y + 1.2), (c.mean_width, ROW_MM - 2.4), 0.35, BLACK);
        let (shot, photo) = ((c.left, y + up), (c.photo, y + up));
        let (left, width) = (c.left, c.width);
        self.white(shot);
        self.white(photo);
        self.y += ROW_MM;
        self.pen.rule((left, self.y), width, 0.8);
    }
}

/// The run sheet as a PDF of as many pages as it takes. Paper other than A4 works alike.
///
/// ```
/// use pockmark::report::runsheet::{RunLine, RunSheet, run_sheet};
/// use pockmark::sheet::draw::Paper;
/// let sheet = RunSheet {
///     title: "June ladder".into(), summary: "1 volley".into(), rules: vec![], unit: "mph".into(), shots: 5, foot: String::new(),
///     lines: vec![RunLine::Volley { name: "1".into(), setup: "pocket mid".into(), speed: "40 mph".into(), remark: String::new() }],
/// };
/// assert!(run_sheet(&sheet, Paper::Letter).starts_with(b"%PDF-"));
/// ```
pub fn run_sheet(sheet: &RunSheet, paper: Paper) -> Vec<u8> {
    let page = paper.size_mm(crate::sheet::geometry::SQUARE_MM);
    let mut d = Drawing {
        sheet,
        columns: Columns::new(page.0, sheet.shots),
        page,
        pen: Pen { height_mm: page.1, content: Content::new() },
        y: MARGIN_MM,
        done: Vec::new(),
    };
    d.head();
    for (i, line) in sheet.lines.iter().enumerate() {
        // A line about the wall stays with the volley that it is for.
        let with_next = match (line, sheet.lines.get(i + 1)) {
            (RunLine::Wall(_), Some(_)) => WALL_ROW_MM + ROW_MM,
            (RunLine::Wall(_), None) => WALL_ROW_MM,
            _ => ROW_MM,
        };
        if d.y + with_next > d.bottom() {
            d.turn();
        }
        match line {
            RunLine::Wall(words) => d.wall(words),
            RunLine::Volley { name, setup, speed, remark } => d.volley(name, setup, speed, remark),
        }
    }
    let last = std::mem::replace(&mut d.pen, Pen { height_mm: page.1, content: Content::new() });
    d.done.push(last.content.finish().into_vec());
    pages(&d.done, page, &sheet.foot)
}

fn pages(contents: &[Vec<u8>], page: (f64, f64), foot: &str) -> Vec<u8> {
    let reference = |n: usize| Ref::new(i32::try_from(n).unwrap_or(i32::MAX));
    let (catalog, tree, regular, bold) = (reference(1), reference(2), reference(3), reference(4));
    let page_ref = |i: usize| (reference(5 + 2 * i), reference(6 + 2 * i));
    let mut pdf = Pdf::new();
    pdf.catalog(catalog).pages(tree);
    let count = contents.len();
    pdf.pages(tree).kids((0..count).map(|i| page_ref(i).0)).count(i32::try_from(count).unwrap_or(i32::MAX));
    for (font, name) in [(regular, Name(b"Helvetica")), (bold, Name(b"Helvetica-Bold"))] {
        pdf.type1_font(font).base_font(name).encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    for (i, content) in contents.iter().enumerate() {
        let (page_id, content_id) = page_ref(i);
        let mut p = pdf.page(page_id);
        p.media_box(Rect::new(0.0, 0.0, points(page.0), points(page.1))).parent(tree).contents(content_id);
        p.resources().fonts().pair(REGULAR, regular).pair(BOLD, bold);
        p.finish();
        let mut pen = Pen { height_mm: page.1, content: Content::new() };
        let y = page.1 - MARGIN_MM + 1.0;
        let number = format!("page {} of {count}", i + 1);
        pen.text((MARGIN_MM, y), 8.0, false, GREY, &fitted(foot, page.0 - 2.0 * MARGIN_MM - 30.0, 8.0, false));
        pen.text((page.0 - MARGIN_MM - width_mm(&number, 8.0, false), y), 8.0, false, GREY, &number);
        let mut whole = content.clone();
        whole.push(b'\n');
        whole.extend(pen.content.finish().into_vec());
        pdf.stream(content_id, &whole);
    }
    pdf.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_fit_and_long_ones_are_cut() {
        // Source: Adobe's metrics: "Helvetica" at 10 pt is 722+556+222+556+278+278+500+500... by hand: H e l v e t i c a.
        let by_hand = (722 + 556 + 222 + 500 + 556 + 278 + 222 + 500 + 556) as f64 * 1e-3 * 10.0 / POINTS_PER_MM;
        assert!((width_mm("Helvetica", 10.0, false) - by_hand).abs() < 1e-12);
        let cut = fitted("a setup with a very long name indeed", 30.0, 11.0, false);
        assert!(cut.ends_with("...") && width_mm(&cut, 11.0, false) <= 30.0, "{cut}");
        let lines = wrapped("one two three four five six seven", 20.0, 9.0);
        assert!(lines.len() > 1 && lines.iter().all(|l| width_mm(l, 9.0, false) <= 20.0), "{lines:?}");
    }
}
