//! Which bytes are a text in the encoding of PDF's own fonts?

/// The text in WinAnsiEncoding (PDF 1.7, Annex D), whose codes from 0xA0 are Latin-1's; what it lacks is a question mark.
pub(super) fn win_ansi(text: &str) -> Vec<u8> {
    text.chars()
        .map(|c| match c {
            '\u{2026}' => 0x85,
            '\u{2018}' => 0x91,
            '\u{2019}' => 0x92,
            '\u{201C}' => 0x93,
            '\u{201D}' => 0x94,
            '\u{2013}' => 0x96,
            '\u{2014}' => 0x97,
            // It has no minus of its own.
            '\u{2212}' => b'-',
            ' '..='~' | '\u{A0}'..='\u{FF}' => u8::try_from(u32::from(c)).unwrap_or(b'?'),
            _ => b'?',
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_fonts_lack_is_a_question_mark() {
        assert_eq!(
            win_ansi("a \u{B1} b \u{2013} \u{2019}\u{2026} \u{2212}1 \u{1F600}"),
            b"a \xB1 b \x96 \x92\x85 -1 ?"
        );
    }
}
