//! Which marks are new between two photos, and where did each ball strike?
//!
//! A photo after a volley is the photo before it, under changed light, with marks laid over:
//! after = light x before x (1 - a) + colour x a. [`pair`] brings the two photos onto one pixel grid
//! and takes the light out; [`things`] names what came or went and is no mark; [`mod@detect`] finds where the rest is more than noise; [`mod@group`] and [`mod@patch`] cut those
//! places out with a value and a variance for a in every pixel; [`fit`] is what a mark does to a pixel, [`target`] explains a patch by a number of
//! marks; [`shape`] and [`learn`] say what a mark of this session looks like; [`separate`] decides how many there are, and [`mod@left_over`] names
//! what none of them explains.

pub mod adjust;
pub mod blocks;
pub mod detect;
pub mod edges;
mod factor;
pub mod fit;
pub mod group;
mod lanes;
pub mod learn;
pub mod left_over;
pub mod light;
mod lines;
pub mod pair;
pub mod patch;
mod relief;
#[cfg(test)]
mod sample;
pub mod seam;
pub mod separate;
pub mod shade;
pub mod shape;
mod smear;
pub mod smooth;
pub mod takes;
pub mod target;
mod texture;
pub mod things;
pub mod ways;

pub use blocks::{Reduced, reduce};
pub use detect::{Detection, Region, detect};
pub use pair::Pair;
pub use things::{Thing, Things, find_things};
