//! How does a drawing with text become plain shapes that print alike everywhere?
//!
//! `usvg` turns text into outlines of the embedded font and all else into paths; here they are millimetres.

use resvg::tiny_skia::PathSegment;
use resvg::usvg::{FillRule, Group, Node, Paint};

use crate::error::Result;
use crate::report::raster::tree;

/// CSS pixels in a millimetre.
const PX_PER_MM: f32 = 96.0 / 25.4;

/// One step of an outline, mm from the label's top left corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Step {
    Move(f32, f32),
    Line(f32, f32),
    Cubic([f32; 6]),
    Close,
}

/// How a line is drawn.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Line {
    pub colour: [u8; 3],
    pub opacity: f32,
    pub width: f32,
    pub dash: Vec<f32>,
}

/// A shape of one colour.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Shape {
    pub steps: Vec<Step>,
    pub fill: Option<([u8; 3], f32)>,
    pub even_odd: bool,
    pub line: Option<Line>,
}

/// All shapes of a drawing, from the back to the front.
pub(super) fn shapes(svg: &str) -> Result<Vec<Shape>> {
    let tree = tree(svg)?;
    let mut out = Vec::new();
    gather(tree.root(), &mut out);
    Ok(out)
}

/// Our drawings have plain colours only; anything else would be black.
fn plain(paint: &Paint) -> [u8; 3] {
    match paint {
        Paint::Color(c) => [c.red, c.green, c.blue],
        _ => [0; 3],
    }
}

fn gather(group: &Group, out: &mut Vec<Shape>) {
    for node in group.children() {
        match node {
            Node::Group(g) => gather(g, out),
            Node::Text(t) => gather(t.flattened(), out),
            Node::Image(_) => {}
            Node::Path(p) => {
                let Some(path) = p.data().clone().transform(p.abs_transform()) else { continue };
                let scale = p.abs_transform().get_scale().0 / PX_PER_MM;
                let mm = |v: resvg::tiny_skia::Point| (v.x / PX_PER_MM, v.y / PX_PER_MM);
                let mut steps = Vec::new();
                let mut last = (0.0, 0.0);
                for segment in path.segments() {
                    match segment {
                        PathSegment::MoveTo(a) => {
                            last = mm(a);
                            steps.push(Step::Move(last.0, last.1));
                        }
                        PathSegment::LineTo(a) => {
                            last = mm(a);
                            steps.push(Step::Line(last.0, last.1));
                        }
                        PathSegment::QuadTo(a, b) => {
                            let (a, b) = (mm(a), mm(b));
                            // A quadratic curve as a cubic one: its handles lie two thirds of the way to the corner.
                            let third = |end: (f32, f32)| {
                                (end.0 + 2.0 * (a.0 - end.0) / 3.0, end.1 + 2.0 * (a.1 - end.1) / 3.0)
                            };
                            let (c, d) = (third(last), third(b));
                            steps.push(Step::Cubic([c.0, c.1, d.0, d.1, b.0, b.1]));
                            last = b;
                        }
                        PathSegment::CubicTo(a, b, c) => {
                            let (a, b, c) = (mm(a), mm(b), mm(c));
                            steps.push(Step::Cubic([a.0, a.1, b.0, b.1, c.0, c.1]));
                            last = c;
                        }
                        PathSegment::Close => steps.push(Step::Close),
                    }
                }
                out.push(Shape {
                    steps,
                    fill: p.fill().map(|f| (plain(f.paint()), f.opacity().get())),
                    even_odd: p.fill().is_some_and(|f| f.rule() == FillRule::EvenOdd),
                    line: p.stroke().map(|s| Line {
                        colour: plain(s.paint()),
                        opacity: s.opacity().get(),
                        width: s.width().get() * scale,
                        dash: s.dasharray().unwrap_or_default().iter().map(|d| d * scale).collect(),
                    }),
                });
            }
        }
    }
}
