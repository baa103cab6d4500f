//! How does a label leave the program: as SVG, PNG and PDF, true to size?
//!
//! Text is outlines of the embedded font, so that nothing changes from machine to machine; the words stand beside them for those
//! who cannot see, and for search. Each label is one object of the PDF however often it is printed.

use pdf_writer::types::{LineCapStyle, TextRenderingMode};
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use super::draw::{LabelSize, svg};
use super::outline::{Line, Shape, Step, shapes};
use super::sheet::LabelSheet;
use super::text::LabelText;
use crate::error::{Error, Result};
use crate::report::chart::escape;
use crate::report::raster::png;
use crate::report::win_ansi::win_ansi;

/// Points (1/72 in) in a millimetre.
const POINTS_PER_MM: f64 = 72.0 / 25.4;
/// Width of the picture for posting, px; a tall label is as high.
const PNG_PX: f64 = 1600.0;
/// Labels of a file at most: a slip of the pen must not fill the disk.
const MOST_LABELS: usize = 5000;
/// Compression of the PDF's drawings, 0 to 10.
const DEFLATE: u8 = 6;

/// One setup's label as files.
#[derive(Clone, Debug, PartialEq)]
pub struct LabelFiles {
    /// Name without ending, fit for any file system: "1-head-heron-mesh-soft".
    pub name: String,
    /// True to size, text as outlines.
    pub svg: String,
    /// For posting.
    pub png: Vec<u8>,
    /// A page as large as the label.
    pub pdf: Vec<u8>,
}

/// A file name from a setup's words, after its number.
fn file_name(number: usize, setup: &str) -> String {
    let mut name = format!("{number}-");
    for c in setup.chars().flat_map(char::to_lowercase) {
        if c.is_ascii_alphanumeric() {
            name.push(c);
        } else if !name.ends_with('-') {
            name.push('-');
        }
        if name.len() >= 60 {
            break;
        }
    }
    name.trim_end_matches('-').to_string()
}

/// Whether [`LabelFiles::name`] can be such a name.
pub fn is_label_name(name: &str) -> bool {
    let (number, words) = name.split_once('-').unwrap_or((name, ""));
    let digits = !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit());
    digits && words.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

fn hex([r, g, b]: [u8; 3]) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn shape_svg(s: &Shape) -> String {
    let mut d = String::new();
    for step in &s.steps {
        match step {
            Step::Move(x, y) => d += &format!("M{x:.2} {y:.2}"),
            Step::Line(x, y) => d += &format!("L{x:.2} {y:.2}"),
            Step::Cubic([a, b, c, e, f, g]) => d += &format!("C{a:.2} {b:.2} {c:.2} {e:.2} {f:.2} {g:.2}"),
            Step::Close => d.push('Z'),
        }
    }
    let mut out = format!("<path d=\"{d}\"");
    match s.fill {
        Some((colour, opacity)) => {
            out += &format!(" fill=\"{}\"", hex(colour));
            if opacity < 1.0 {
                out += &format!(" fill-opacity=\"{opacity:.3}\"");
            }
            if s.even_odd {
                out += " fill-rule=\"evenodd\"";
            }
        }
        None => out += " fill=\"none\"",
    }
    if let Some(Line { colour, width, dash, .. }) = &s.line {
        out += &format!(" stroke=\"{}\" stroke-width=\"{width:.4}\"", hex(*colour));
        if !dash.is_empty() {
            let dash: Vec<String> = dash.iter().map(|d| format!("{d:.3}")).collect();
            out += &format!(" stroke-dasharray=\"{}\"", dash.join(" "));
        }
    }
    out + "/>"
}

fn outlined_svg(text: &LabelText, size: LabelSize, shapes: &[Shape]) -> String {
    let body: String = shapes.iter().map(shape_svg).collect();
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\" role=\"img\">\
         <title>{}</title><desc>{}</desc>{body}</svg>\n",
        escape(&text.setup),
        escape(&text.words().join(". ")),
        w = size.width_mm,
        h = size.height_mm,
    )
}

/// Each setup's label, alone.
///
/// # Errors
/// A size outside of what can be read or printed; a drawing that cannot be made, never because of what a text holds.
pub fn label_files(labels: &[LabelText], size: LabelSize) -> Result<Vec<LabelFiles>> {
    size.check()?;
    let alone = LabelSheet {
        name: "one".into(),
        paper_mm: (size.width_mm, size.height_mm),
        grid: (1, 1),
        label: size,
        margin_mm: (0.0, 0.0),
        pitch_mm: (0.0, 0.0),
    };
    let picture_px = PNG_PX * (size.width_mm / size.width_mm.max(size.height_mm));
    labels
        .iter()
        .enumerate()
        .map(|(i, text)| {
            let drawn = svg(text, size);
            Ok(LabelFiles {
                name: file_name(i + 1, &text.setup),
                svg: outlined_svg(text, size, &shapes(&drawn)?),
                png: png(&drawn, picture_px.round() as u32)?,
                pdf: labels_pdf(std::slice::from_ref(text), &alone, 1, 0, false)?,
            })
        })
        .collect()
}

/// What opacities a drawing needs, each once.
fn opacities(shapes: &[Shape]) -> Vec<f32> {
    let mut all: Vec<f32> = shapes.iter().filter_map(|s| s.fill.map(|f| f.1)).filter(|o| *o < 1.0).collect();
    all.sort_by(f32::total_cmp);
    all.dedup();
    all
}

fn points(mm: f64) -> f32 {
    (mm * POINTS_PER_MM) as f32
}

/// A label's content stream; its corner is the bottom left, in points.
fn content(text: &LabelText, size: LabelSize, shapes: &[Shape], opacities: &[f32]) -> Vec<u8> {
    let mut c = Content::new();
    let k = POINTS_PER_MM as f32;
    // A hundredth of a point is finer than any printer's dot.
    let round = |v: f32| (100.0 * v).round() / 100.0;
    let at = |x: f32, y: f32| (round(x * k), round(points(size.height_mm) - y * k));
    let rgb = |c: [u8; 3]| c.map(|v| f32::from(v) / 255.0);
    c.set_line_cap(LineCapStyle::ButtCap);
    for s in shapes {
        c.save_state();
        if let Some((colour, opacity)) = s.fill {
            let [r, g, b] = rgb(colour);
            c.set_fill_rgb(r, g, b);
            if let Some(i) = opacities.iter().position(|o| *o == opacity) {
                c.set_parameters(Name(format!("O{i}").as_bytes()));
            }
        }
        if let Some(line) = &s.line {
            let [r, g, b] = rgb(line.colour);
            c.set_stroke_rgb(r, g, b).set_line_width(line.width * k);
            c.set_dash_pattern(line.dash.iter().map(|d| d * k), 0.0);
        }
        for step in &s.steps {
            match *step {
                Step::Move(x, y) => {
                    let (x, y) = at(x, y);
                    c.move_to(x, y);
                }
                Step::Line(x, y) => {
                    let (x, y) = at(x, y);
                    c.line_to(x, y);
                }
                Step::Cubic([a, b, d, e, f, g]) => {
                    let ((a, b), (d, e), (f, g)) = (at(a, b), at(d, e), at(f, g));
                    c.cubic_to(a, b, d, e, f, g);
                }
                Step::Close => {
                    c.close_path();
                }
            }
        }
        match (s.fill.is_some(), s.line.is_some(), s.even_odd) {
            (true, true, false) => c.fill_nonzero_and_stroke(),
            (true, true, true) => c.fill_even_odd_and_stroke(),
            (true, false, false) => c.fill_nonzero(),
            (true, false, true) => c.fill_even_odd(),
            (false, true, _) => c.stroke(),
            (false, false, _) => c.end_path(),
        };
        c.restore_state();
    }
    // The words, unseen, where the label's own words begin.
    c.begin_text().set_text_rendering_mode(TextRenderingMode::Invisible).set_font(Name(b"W"), 4.0);
    c.set_leading(5.0).next_line(points(3.0), points(size.height_mm - 4.0));
    for line in text.words() {
        c.show(Str(&win_ansi(&line))).next_line(0.0, -5.0);
    }
    c.end_text();
    c.finish().into_vec()
}

/// All labels as a PDF for a paper of labels, `copies` of each, the first `skip` places left out (already used).
///
/// `cut_lines` draws hair lines about each, for plain paper.
///
/// # Errors
/// No labels, too many, a paper that does not fit, or a drawing that cannot be made.
pub fn labels_pdf(
    labels: &[LabelText],
    sheet: &LabelSheet,
    copies: usize,
    skip: usize,
    cut_lines: bool,
) -> Result<Vec<u8>> {
    let size = sheet.label.check()?;
    let a_page = sheet.count();
    let places = labels.len().saturating_mul(copies).saturating_add(skip);
    if labels.is_empty() || copies == 0 || a_page == 0 {
        return Err(Error::usage("no label to print: ask for at least 1 copy of a session with results"));
    }
    if places > MOST_LABELS {
        return Err(Error::usage(format!(
            "{places} labels asked for, {MOST_LABELS} go into one file: ask for fewer copies"
        )));
    }
    if skip >= a_page {
        return Err(Error::usage(format!("{skip} places to leave out, but a paper has {a_page}: leave out fewer")));
    }
    let pages = places.div_ceil(a_page);
    let mut next = 0;
    let mut fresh = || {
        next += 1;
        Ref::new(next)
    };
    let mut pdf = Pdf::new();
    let (catalog, tree, font, info) = (fresh(), fresh(), fresh(), fresh());
    let page_refs: Vec<(Ref, Ref)> = (0..pages).map(|_| (fresh(), fresh())).collect();
    let label_refs: Vec<Ref> = labels.iter().map(|_| fresh()).collect();
    let mut root = pdf.catalog(catalog);
    root.pages(tree).lang(TextStr("en"));
    // Asks print dialogues to start at 100 %.
    root.viewer_preferences().pair(Name(b"PrintScaling"), Name(b"None"));
    root.finish();
    pdf.document_info(info).title(TextStr("Labels")).producer(TextStr(concat!("pockmark ", env!("CARGO_PKG_VERSION"))));
    let count = |n: usize| i32::try_from(n).unwrap_or(i32::MAX);
    pdf.pages(tree).kids(page_refs.iter().map(|p| p.0)).count(count(pages));
    pdf.type1_font(font).base_font(Name(b"Helvetica")).encoding_predefined(Name(b"WinAnsiEncoding"));
    for (text, id) in labels.iter().zip(&label_refs) {
        let shapes = shapes(&svg(text, size))?;
        let opacities = opacities(&shapes);
        let bytes = miniz_oxide::deflate::compress_to_vec_zlib(&content(text, size, &shapes, &opacities), DEFLATE);
        let mut form = pdf.form_xobject(*id, &bytes);
        form.filter(Filter::FlateDecode);
        form.bbox(Rect::new(0.0, 0.0, points(size.width_mm), points(size.height_mm)));
        let mut resources = form.resources();
        resources.fonts().pair(Name(b"W"), font);
        let mut states = resources.ext_g_states();
        for (i, opacity) in opacities.iter().enumerate() {
            states
                .insert(Name(format!("O{i}").as_bytes()))
                .start::<pdf_writer::writers::ExtGraphicsState>()
                .non_stroking_alpha(*opacity);
        }
        states.finish();
        resources.finish();
        form.finish();
    }
    for (p, (page_id, content_id)) in page_refs.iter().enumerate() {
        let mut c = Content::new();
        let mut used = Vec::new();
        for place in 0..a_page {
            let Some(n) = (p * a_page + place).checked_sub(skip).map(|n| n / copies).filter(|n| *n < labels.len())
            else {
                continue;
            };
            let (x, y) = sheet.corner_mm(place);
            let bottom = sheet.paper_mm.1 - y - size.height_mm;
            c.save_state().transform([1.0, 0.0, 0.0, 1.0, points(x), points(bottom)]);
            c.x_object(Name(format!("L{n}").as_bytes())).restore_state();
            if cut_lines {
                c.save_state().set_stroke_gray(0.6).set_line_width(0.25);
                c.rect(points(x), points(bottom), points(size.width_mm), points(size.height_mm))
                    .stroke()
                    .restore_state();
            }
            used.push(n);
        }
        used.dedup();
        let mut page = pdf.page(*page_id);
        page.media_box(Rect::new(0.0, 0.0, points(sheet.paper_mm.0), points(sheet.paper_mm.1)));
        page.parent(tree).contents(*content_id);
        let mut resources = page.resources();
        let mut objects = resources.x_objects();
        for n in used {
            if let Some(id) = label_refs.get(n) {
                objects.pair(Name(format!("L{n}").as_bytes()), *id);
            }
        }
        objects.finish();
        resources.finish();
        page.finish();
        pdf.stream(*content_id, &c.finish());
    }
    Ok(pdf.finish())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_suit_any_file_system() {
        assert_eq!(file_name(1, "head Heron, mesh soft"), "1-head-heron-mesh-soft");
        assert_eq!(file_name(2, "../..\\\u{0}:*"), "2");
        assert!(file_name(3, &"x".repeat(500)).len() <= 60);
        for own in [file_name(1, "head Heron, mesh soft"), file_name(2, "\u{0}")] {
            assert!(is_label_name(&own), "{own}");
        }
        for other in ["", "labels", "my-1", "1 copy", "1-Mine"] {
            assert!(!is_label_name(other), "{other}");
        }
    }
}
