//! Which known word did the person mean by this unknown one?

/// Longest word compared; longer ones are no slip of a known word.
const LONGEST_WORD: usize = 64;

/// Smallest number of letters to insert, drop, change or swap with a neighbour to get from `a`
/// to `b` (optimal string alignment distance), capitals ignored.
fn edits(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.to_lowercase().chars().collect();
    let b: Vec<char> = b.to_lowercase().chars().collect();
    let mut two_up: Vec<usize> = Vec::new();
    let mut up: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.iter().enumerate() {
        let mut row = vec![i + 1];
        for (j, cb) in b.iter().enumerate() {
            let at = |row: &[usize], k: usize| row.get(k).copied().unwrap_or(usize::MAX - 1);
            let mut best = (at(&up, j) + usize::from(ca != cb)).min(at(&up, j + 1) + 1).min(at(&row, j) + 1);
            let swapped = i > 0 && j > 0 && a.get(i - 1) == Some(cb) && b.get(j - 1) == Some(ca);
            if swapped {
                best = best.min(at(&two_up, j - 1) + 1);
            }
            row.push(best);
        }
        two_up = std::mem::replace(&mut up, row);
    }
    up.last().copied().unwrap_or(a.len())
}

/// How many letters may differ for a word to count as a slip: one in five letters, two in longer words.
fn allowed_edits(word: &str) -> usize {
    if word.chars().count() <= 5 { 1 } else { 2 }
}

/// The known word nearest to `word`, if near enough to be a slip of the pen.
pub(super) fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    if word.chars().count() > LONGEST_WORD {
        return None;
    }
    known
        .into_iter()
        .map(|k| (edits(word, k), k))
        .filter(|(distance, k)| *distance <= allowed_edits(if k.len() < word.len() { k } else { word }))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, k)| k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances() {
        for (a, b, d) in
            [("", "", 0), ("", "abc", 3), ("kitten", "sitting", 3), ("pviot_out", "pivot_out", 1), ("Arm", "arm", 0)]
        {
            assert_eq!(edits(a, b), d, "{a} {b}");
            assert_eq!(edits(b, a), d, "{b} {a}");
        }
    }

    #[test]
    fn slips_find_their_word_and_other_words_find_none() {
        let known = ["pivot_out", "pivot_up", "arm", "zero"];
        assert_eq!(nearest("pivotout", known), Some("pivot_out"));
        assert_eq!(nearest("arn", known), Some("arm"));
        assert_eq!(nearest("mesh", known), None);
        assert_eq!(nearest(&"x".repeat(10_000), known), None);
    }
}
