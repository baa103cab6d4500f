//! Which part of a pair of photos will the page show?
//!
//! While both photos are in memory it is not known yet which changes are marks. But nearly always they are among the strongest, so that the part of
//! both photos about these is kept, as it is. Where the page wants more than was kept, it reads the photos again.

use image::RgbImage;

use super::looks::VolleyLook;

/// Space about the patches, usual radii: three radii about a mark are shown, a patch has some two about it, and a mark may be half as large again.
const AROUND_RADII: f64 = 2.5;
/// Bounds of pictures are at multiples of this, px: where marks are adjusted a little, the picture stays.
pub(super) const BOUNDS_PX: f64 = 32.0;
/// Nothing longer is kept, px: it would take more memory than it spares time.
const LONGEST_PX: u32 = 1024;

/// Left, top, right and bottom of a part of a photo, px: the last two are one past it, and may lie outside of the photo.
pub(super) type Bounds = [u32; 4];

/// The least bounds that may be asked for about these extents across and down.
pub(super) fn bounds_of((x0, x1): (f64, f64), (y0, y1): (f64, f64)) -> Bounds {
    let down = |v: f64| ((v.max(0.0) / BOUNDS_PX).floor() * BOUNDS_PX) as u32;
    let up = |v: f64| ((v.max(0.0) / BOUNDS_PX).ceil() * BOUNDS_PX) as u32;
    [down(x0), down(y0), up(x1), up(y1)]
}

/// The same part of the photos after and before.
#[derive(Clone, Debug, PartialEq)]
pub struct Crops {
    /// Where its first pixel is in them.
    pub(super) origin: (u32, u32),
    /// Size of the photos, which is the same.
    pub(super) of: (u32, u32),
    /// After and before.
    pub(super) pixels: [RgbImage; 2],
}

impl Crops {
    /// The part of two photos about a look's strongest changes, as many of them as lie near each other; `None` where there are none, or the
    /// place of each is too large by itself.
    pub(super) fn about(look: &VolleyLook, shots: usize, after: &RgbImage, before: &RgbImage) -> Option<Self> {
        if after.dimensions() != before.dimensions() {
            return None;
        }
        let space = AROUND_RADII * look.radius_cells * look.grid.factor as f64;
        let cut = |[x0, y0, x1, y1]: Bounds| [x0, y0, x1.min(after.width()), y1.min(after.height())];
        let mut about = ((f64::MAX, f64::MIN), (f64::MAX, f64::MIN));
        let mut kept = None;
        for spot in look.spots.iter().take(shots) {
            let Some(at) = look.located.view.pixel_from_wall(spot.at) else { continue };
            for p in &look.groups.patches {
                let (left, top) = (p.origin.0 as f64, p.origin.1 as f64);
                let (right, bottom) = (left + (p.width * p.step) as f64, top + (p.height * p.step) as f64);
                if !(left..=right).contains(&at.x_px) || !(top..=bottom).contains(&at.y_px) {
                    continue;
                }
                let ((x0, x1), (y0, y1)) = about;
                let wider =
                    ((x0.min(left - space), x1.max(right + space)), (y0.min(top - space), y1.max(bottom + space)));
                // What would make it too long strayed from the others, or is no mark: stronger ones came first.
                let [x0, y0, x1, y1] = cut(bounds_of(wider.0, wider.1));
                if x1.saturating_sub(x0).max(y1.saturating_sub(y0)) <= LONGEST_PX {
                    about = wider;
                    kept = Some([x0, y0, x1, y1]).filter(|_| x0 < x1 && y0 < y1);
                }
            }
        }
        let [x0, y0, x1, y1] = kept?;
        let cut = |photo: &RgbImage| image::imageops::crop_imm(photo, x0, y0, x1 - x0, y1 - y0).to_image();
        Some(Self { origin: (x0, y0), of: after.dimensions(), pixels: [cut(after), cut(before)] })
    }

    /// Whether it has all of the photos that lies within the bounds.
    pub(super) fn holds(&self, [x0, y0, x1, y1]: Bounds) -> bool {
        let (x1, y1) = (x1.min(self.of.0), y1.min(self.of.1));
        let (w, h) = self.pixels[0].dimensions();
        x0 >= self.origin.0 && y0 >= self.origin.1 && x1 <= self.origin.0 + w && y1 <= self.origin.1 + h
    }

    /// As bytes: origin, size of the photos, own size (little-endian), then the pixels of both.
    pub(super) fn to_bytes(&self) -> Vec<u8> {
        let [after, before] = &self.pixels;
        let (w, h) = after.dimensions();
        let mut out = Vec::with_capacity(24 + 2 * after.as_raw().len());
        for v in [self.origin.0, self.origin.1, self.of.0, self.of.1, w, h] {
            out.extend(v.to_le_bytes());
        }
        out.extend(after.as_raw());
        out.extend(before.as_raw());
        out
    }

    /// From such bytes; `None` where they are none.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (head, rest) = bytes.split_at_checked(24)?;
        let (numbers, _) = head.as_chunks::<4>();
        let n: [u32; 6] = std::array::from_fn(|i| numbers.get(i).map_or(0, |b| u32::from_le_bytes(*b)));
        let (after, before) = rest.split_at_checked(rest.len() / 2)?;
        let fits = n[0].checked_add(n[4])? <= n[2] && n[1].checked_add(n[5])? <= n[3];
        let picture =
            |raw: &[u8]| RgbImage::from_raw(n[4], n[5], raw.to_vec()).filter(|p| p.as_raw().len() == raw.len());
        let pixels = [picture(after)?, picture(before)?];
        fits.then_some(Self { origin: (n[0], n[1]), of: (n[2], n[3]), pixels })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crops_come_back_from_their_bytes_and_know_what_they_hold() {
        let picture = |k: u32| RgbImage::from_fn(64, 32, |x, y| image::Rgb([(x * k) as u8, y as u8, k as u8]));
        // The photo ends within the last bounds.
        let crops = Crops { origin: (32, 64), of: (96, 96), pixels: [picture(3), picture(5)] };
        let bytes = crops.to_bytes();
        assert_eq!(Crops::from_bytes(&bytes).as_ref(), Some(&crops));
        for end in [0, 23, 24, bytes.len() - 2] {
            assert_eq!(Crops::from_bytes(&bytes[..end]), None, "{end}");
        }
        assert!(crops.holds([32, 64, 64, 96]) && crops.holds([64, 64, 128, 128]));
        assert!(!crops.holds([0, 64, 64, 96]) && !crops.holds([32, 32, 64, 96]));
    }
}
