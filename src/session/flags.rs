//! Which words may stand in a `flags` column, and what does each mean?
//!
//! One registry for the whole program: a flag is a [`FlagWord`], written by its
//! [`FlagWord::word`], explained to people by [`FlagWord::meaning`]; [`FlagWord::makes_look`] says
//! whether it alone makes a volley `look`.

use serde::{Deserialize, Serialize};

macro_rules! flags {
    ($($name:ident, $word:literal, $look:literal, $meaning:literal;)+) => {
        /// Every word a `flags` column may hold.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        #[non_exhaustive]
        pub enum FlagWord {
            $(#[doc = $meaning] $name,)+
        }

        impl FlagWord {
            /// Every flag, in the order of the registry.
            pub const ALL: &'static [Self] = &[$(Self::$name,)+];

            /// The word in files.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$name => $word,)+ }
            }

            /// One line for people: what it says about the mark or the volley.
            pub const fn meaning(self) -> &'static str {
                match self { $(Self::$name => $meaning,)+ }
            }

            /// Whether it alone makes a volley `look`.
            pub const fn makes_look(self) -> bool {
                match self { $(Self::$name => $look,)+ }
            }
        }
    };
}

flags! {
    Merged, "merged", true, "several balls left one mark that cannot be told apart; the volley's mean stands, single shots do not";
    Crowded, "crowded", false, "overlaps another mark and was told apart by its outline";
    Edge, "edge", true, "touches the edge of the photo, so part of the mark may be missing";
    OnSheet, "on_sheet", true, "lies on a printed sheet, which may have moved or hidden part of the mark";
    Faint, "faint", false, "stands out only just from the photo's noise or from the marks around it";
    MissingShots, "missing_shots", true, "fewer marks were found than balls were fired";
    ExtraMarks, "extra_marks", true, "more marks were found than balls were fired";
    NoSheets, "no_sheets", false, "the photo shows no sheet";
    Registered, "registered", false, "the photo was aligned by the wall itself to the tripod photo";
    CameraMoved, "camera_moved", true, "the camera moved, zoomed or refocused since the calibration";
    SheetMoved, "sheet_moved", true, "a sheet hangs elsewhere than in the calibration; the others gave the photo's place";
    LightChanged, "light_changed", true, "the light changed much between the two photos";
    BigChange, "big_change", false, "a large part of the wall changed between the two photos, so something else than marks came or went";
    Blocked, "blocked", true, "something covered a part of the wall, and shots may have struck behind it";
    SeenLater, "seen_later", false, "something hid it in the volley's own photo; a later photo shows it";
    Wiped, "wiped", true, "the old marks were gone though no photo shows the wiped wall, so the wall's state before the shots is taken from an older photo";
    OnSeam, "on_seam", false, "lies on a line of the wall (a seam, grain, an old mark's rim), which may cut its outline";
    WipeSoon, "wipe_soon", false, "marks cover half or more of the place where shots like these will fall again: wipe the wall before that";
    WipeWall, "wipe_wall", true, "old marks cover so much of the wall that new ones may hide on them: wipe the wall";
    Unreachable, "unreachable", true, "no arm angle brings the ball there at the stated speed";
    NoBefore, "no_before", true, "there is no photo of the wall before this volley";
    OutOfOrder, "out_of_order", true, "by the times of the photos, the one before it is not the wall just before these shots, so marks of other balls may count here: put the rows in shooting order";
    OneVolley, "one_volley", false, "is the only volley of its setup and speed, so drift between volleys cannot be seen";
    LeftOver, "left_over", true, "something changed as much as a mark would, and none of the marks explains it";
    Doubtful, "doubtful", true, "holds marks that may not be the right ones: they overlap, one is barely told apart or hardly placed, two may be one, they are of unlike size or strength or too far apart for one setup's, or they lie where another volley's do";
    DoubtfulShot, "doubtful_shot", true, "lies further from the others of its volley than their scatter explains; it stays in every mean";
    ZeroShot, "zero_shot", false, "was shot with a known release angle; it sets the machine's zero and is no part of the study";
    Reviewed, "reviewed", false, "a person decided on this mark in review.csv";
    FarSpeed, "far_speed", true, "was read at a speed far from its setpoint or nearer to another step of the ladder, or faster than any ball: a number was mistyped or misread";
    ReviewLost, "review_lost", true, "a decision in review.csv no longer finds its mark";
}

impl FlagWord {
    /// The flag that a word in a file stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|f| f.word() == word.trim())
    }

    /// Flags as a cell: sorted in the registry's order, each once, split by `;`.
    pub fn join(flags: &[Self]) -> String {
        let mut sorted = flags.to_vec();
        sorted.sort_unstable();
        sorted.dedup();
        sorted.iter().map(|f| f.word()).collect::<Vec<_>>().join(";")
    }
}

impl std::fmt::Display for FlagWord {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_distinct_plain_and_read_back() {
        for (i, f) in FlagWord::ALL.iter().enumerate() {
            assert_eq!(FlagWord::from_word(f.word()), Some(*f));
            assert!(f.word().bytes().all(|b| b.is_ascii_lowercase() || b == b'_'), "{f}");
            assert_eq!(serde_json::to_string(f).unwrap(), format!("\"{f}\""));
            assert!(!FlagWord::ALL[..i].iter().any(|g| g.word() == f.word()));
        }
        assert_eq!(FlagWord::join(&[FlagWord::Faint, FlagWord::Merged, FlagWord::Faint]), "merged;faint");
        assert_eq!(FlagWord::join(&[]), "");
    }
}
