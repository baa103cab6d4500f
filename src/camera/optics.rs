//! Does a camera itself say that another lens or another zoom took this photo?

use serde::{Deserialize, Serialize};

use crate::photo::PhotoExif;

/// Diagonal of the film frame that "35 mm equivalent" refers to, mm.
const FILM_DIAGONAL_MM: f64 = 43.267;
/// Relative difference of focal lengths in mm that is another zoom: cameras write what their lens has, to a hundredth of a mm.
const FOCAL_DIFFERS: f64 = 0.01;
/// Relative difference of digital zooms that is another zoom.
const DIGITAL_DIFFERS: f64 = 0.005;

/// What Exif says of the optics; all of it optional.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Optics {
    /// Camera model.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub camera: Option<String>,
    /// Lens.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lens: Option<String>,
    /// Focal length, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub focal_length_mm: Option<f64>,
    /// Focal length that would frame alike on film, mm, rounded by the camera to whole ones.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub focal_length_35mm_mm: Option<f64>,
    /// Digital zoom, 1 = not used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub digital_zoom: Option<f64>,
    /// How the camera was held, as Exif says it: 1 to 8.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub orientation: Option<u8>,
    /// The photo has as many pixels as the camera says that it stored.
    #[serde(skip)]
    pub whole: bool,
}

impl Optics {
    /// From a photo's Exif and its decoded size, px.
    pub fn of(exif: &PhotoExif, size_px: (u32, u32)) -> Self {
        let (long, short) = (size_px.0.max(size_px.1), size_px.0.min(size_px.1));
        let stored = exif.width_px.zip(exif.height_px);
        Self {
            camera: exif.model.clone(),
            lens: exif.lens_model.clone(),
            focal_length_mm: exif.focal_length_mm,
            focal_length_35mm_mm: exif.focal_length_35mm_mm,
            digital_zoom: exif.digital_zoom,
            orientation: exif.orientation,
            whole: stored.is_none_or(|(w, h)| (w.max(h), w.min(h)) == (long, short)),
        }
    }

    /// Focal length in px of a photo of this size; `None` where Exif does not say or the photo was cropped. Good to some per
    /// cent: makers compare with film by the diagonal or by the width, and round.
    pub fn focal_px(&self, size_px: (u32, u32)) -> Option<f64> {
        let diagonal = f64::from(size_px.0).hypot(f64::from(size_px.1));
        self.focal_length_35mm_mm.filter(|_| self.whole).map(|f| f * diagonal / FILM_DIAGONAL_MM)
    }

    /// What differs, as a phrase ("focal length 6.8 mm instead of 4.2 mm"); `None` when nothing that both say does.
    pub fn differs_from(&self, other: &Self) -> Option<String> {
        let text = |a: &Option<String>, b: &Option<String>, what: &str| match (a, b) {
            (Some(a), Some(b)) if a != b => Some(format!("{what} {a} instead of {b}")),
            _ => None,
        };
        let number = |a: Option<f64>, b: Option<f64>, relative: f64, what: &str, unit: &str| match (a, b) {
            (Some(a), Some(b)) if (a / b - 1.0).abs() > relative => {
                Some(format!("{what} {} instead of {}{unit}", rounded(a), rounded(b)))
            }
            _ => None,
        };
        let zoom = |o: &Self| o.digital_zoom.or((o.focal_length_mm.is_some()).then_some(1.0));
        text(&self.camera, &other.camera, "camera")
            .or_else(|| text(&self.lens, &other.lens, "lens"))
            .or_else(|| number(self.focal_length_mm, other.focal_length_mm, FOCAL_DIFFERS, "focal length", " mm"))
            .or_else(|| number(zoom(self), zoom(other), DIGITAL_DIFFERS, "digital zoom", ""))
            .or_else(|| {
                let what = "focal length (as on 35 mm film)";
                number(self.focal_length_35mm_mm, other.focal_length_35mm_mm, FOCAL_DIFFERS, what, " mm")
            })
    }
}

fn rounded(v: f64) -> f64 {
    (100.0 * v).round() / 100.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_zoom_is_told_and_silence_is_not() {
        let a =
            Optics { focal_length_mm: Some(4.2), focal_length_35mm_mm: Some(26.0), whole: true, ..Optics::default() };
        assert_eq!(a.differs_from(&a), None);
        assert_eq!(a.differs_from(&Optics::default()), None);
        let b = Optics { focal_length_mm: Some(6.8), ..a.clone() };
        assert_eq!(b.differs_from(&a).unwrap(), "focal length 6.8 instead of 4.2 mm");
        // A camera that writes no zoom has used none.
        let c = Optics { digital_zoom: Some(2.0), ..a.clone() };
        assert!(c.differs_from(&a).unwrap().starts_with("digital zoom 2"));
        assert_eq!(Optics { digital_zoom: Some(1.0), ..a.clone() }.differs_from(&a), None);
        let d = Optics { lens: Some("wide".into()), ..a.clone() };
        assert!(d.differs_from(&Optics { lens: Some("tele".into()), ..a }).unwrap().starts_with("lens wide"));
    }
}
