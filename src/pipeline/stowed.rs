//! Where do the patches of a thousand volleys lie until they are needed?
//!
//! What changed between two photos is a megabyte or so a volley, and is needed twice: when the marks' looks are learned, and when the volley
//! is judged. Where comparisons are kept on the disk ([`super::kept`]), the patches lie there in files of their own, so that
//! memory does not grow with the session; elsewhere they stay in memory.

use std::borrow::Cow;
use std::sync::Arc;

use super::crops::Crops;
use super::kept::Kept;
use super::looks::VolleyLook;
use crate::error::{Error, Result};
use crate::marks::patch::RawPatch;

/// Patches that lie on the disk.
#[derive(Clone, Debug)]
pub(super) struct Stowed {
    kept: Arc<Kept>,
    name: String,
}

/// Whether a patch's sizes hold together: whatever lies in a file, no index leads out of a list.
fn holds(p: &RawPatch) -> bool {
    let n = p.width.checked_mul(p.height);
    let lengths = [p.after.len(), p.expected.len(), p.wall_mm.len(), p.quiet.len(), p.masked.len()];
    p.mm_per_px.is_finite() && lengths.iter().all(|l| Some(*l) == n)
}

/// The name of the patches that belong to what is kept under `name`; `which` tells a row's looks apart.
fn name_of(kept: &Kept, name: &str, which: &str) -> String {
    kept.name(&["patches".into(), which.into(), name.into()])
}

/// The same of the part of the photos that the page may show.
fn name_of_crops(kept: &Kept, name: &str, which: &str) -> String {
    kept.name(&["crops".into(), which.into(), name.into()])
}

/// Puts a look's patches on the disk; they stay where they are when that cannot be.
pub(super) fn stow(kept: &Arc<Kept>, name: &str, which: &str, look: &mut VolleyLook) -> bool {
    if let Some(crops) = &look.crops {
        let name = name_of_crops(kept, name, which);
        if kept.put_bytes(&name, &crops.to_bytes()) {
            look.crops = None;
            look.crops_stowed = Some(Stowed { kept: kept.clone(), name });
        }
    }
    let name = name_of(kept, name, which);
    let done = kept.put(&name, &look.groups.patches);
    if done {
        look.patches_stowed = std::mem::take(&mut look.groups.patches).len();
        look.stowed = Some(Stowed { kept: kept.clone(), name });
    }
    done
}

/// Finds the patches of a look that was read from the disk; false when they are not there, or not whole.
pub(super) fn find(kept: &Arc<Kept>, name: &str, which: &str, look: &mut VolleyLook) -> bool {
    let crops = name_of_crops(kept, name, which);
    look.crops_stowed = kept.has(&crops).then(|| Stowed { kept: kept.clone(), name: crops });
    let name = name_of(kept, name, which);
    let there = look.groups.patches.is_empty() && kept.is_whole(&name);
    look.stowed = there.then(|| Stowed { kept: kept.clone(), name });
    there
}

impl VolleyLook {
    /// The patches, wherever they lie.
    ///
    /// # Errors
    /// They were put on the disk by this run or an older one, and can no longer be read: what was kept is then thrown away, so
    /// that the next run looks at the photos again.
    pub(super) fn patches(&self) -> Result<Cow<'_, [RawPatch]>> {
        let Some(s) = &self.stowed else { return Ok(Cow::Borrowed(&self.groups.patches)) };
        let read =
            s.kept.get::<Vec<RawPatch>>(&s.name).filter(|p| p.len() == self.patches_stowed && p.iter().all(holds));
        read.map(Cow::Owned).ok_or_else(|| {
            s.kept.throw_away(&s.name);
            Error::no_answer(format!(
                "what was found between {} and the photo after it was put into .pockmark/looks and cannot be read again: was it deleted, or \
                 is the disk or card failing? Run again: the photos are then looked at anew",
                self.before
            ))
        })
    }

    /// The part of the photos that the page may show, wherever it lies; `None` where none was kept, or it can no longer be read.
    pub(super) fn crops(&self) -> Option<Cow<'_, Crops>> {
        let Some(s) = &self.crops_stowed else { return self.crops.as_ref().map(Cow::Borrowed) };
        s.kept.bytes(&s.name).and_then(|b| Crops::from_bytes(&b)).map(Cow::Owned)
    }

    /// How many there are.
    pub(super) fn patch_count(&self) -> usize {
        if self.stowed.is_some() { self.patches_stowed } else { self.groups.patches.len() }
    }

    /// Whether no index leads out of a list.
    pub(super) fn holds(&self) -> bool {
        self.groups.patches.iter().all(holds)
    }
}
