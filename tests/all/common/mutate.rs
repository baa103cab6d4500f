//! How does a file look after a bad card, a bad cable or a bad person had it? Seeded, so that every failure can be had again.

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A generator for one case of one test. The environment variable `POCKMARK_SEED` gives every test other cases.
pub fn seeded(seed: u64, case: u64) -> ChaCha8Rng {
    let fresh: u64 = std::env::var("POCKMARK_SEED").ok().and_then(|n| n.parse().ok()).unwrap_or(0);
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ fresh.rotate_left(32));
    rng.set_stream(case);
    rng
}

/// How many cases to run: `usual`, or what the environment variable `POCKMARK_CASES` asks for.
pub fn cases(usual: u64) -> u64 {
    std::env::var("POCKMARK_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

fn place(rng: &mut impl Rng, bytes: &[u8]) -> usize {
    // Headers decide most, so half of the damage falls on the first kilobyte.
    let most = if rng.random_bool(0.5) { bytes.len().min(1024) } else { bytes.len() };
    rng.random_range(0..most.max(1))
}

/// One to four damages; `other` is a file to take pieces from.
pub fn damage(rng: &mut impl Rng, file: &[u8], other: &[u8]) -> Vec<u8> {
    let mut bytes = file.to_vec();
    for _ in 0..rng.random_range(1..=4) {
        if bytes.is_empty() {
            break;
        }
        let at = place(rng, &bytes);
        let run = rng.random_range(1..=64usize).min(bytes.len() - at);
        match rng.random_range(0..9) {
            0 => bytes.truncate(at),
            1 => bytes[at] ^= 1 << rng.random_range(0..8),
            2 => (0..run).for_each(|k| bytes[at + k] = rng.random()),
            3 => bytes[at..at + run].fill([0, 0xFF, 0x7F, 0x80][rng.random_range(0..4)]),
            4 => drop(bytes.drain(at..at + run)),
            5 => {
                let piece = bytes[at..at + run].to_vec();
                let to = place(rng, &bytes);
                bytes.splice(to..to, piece);
            }
            6 if !other.is_empty() => {
                let from = place(rng, other);
                let piece = &other[from..(from + run).min(other.len())];
                bytes.splice(at..at, piece.iter().copied());
            }
            // A length or a count that lies.
            7 => {
                let lie = [0u32, 1, 0xFFFF, 0x7FFF_FFFF, 0xFFFF_FFFF, 0x8000_0000][rng.random_range(0..6)];
                let size = [1, 2, 4][rng.random_range(0..3)].min(bytes.len() - at);
                let raw = if rng.random() { lie.to_be_bytes() } else { lie.to_le_bytes() };
                bytes[at..at + size].copy_from_slice(&raw[..size]);
            }
            _ => {
                for _ in 0..rng.random_range(1..=64) {
                    let at = place(rng, &bytes);
                    bytes[at] ^= 1 << rng.random_range(0..8);
                }
            }
        }
    }
    bytes
}

/// Gives every chunk of a PNG the check sum that its content asks for, so that damage reaches what stands behind it.
pub fn mend_png(bytes: &mut [u8]) {
    let mut at = 8;
    while let Some(length) = bytes.get(at..at + 4).map(|b| u32::from_be_bytes([b[0], b[1], b[2], b[3]]) as usize) {
        let Some(end) = at.checked_add(8 + length).filter(|e| e + 4 <= bytes.len()) else { return };
        let mut crc = u32::MAX;
        for b in &bytes[at + 4..end] {
            crc ^= u32::from(*b);
            for _ in 0..8 {
                crc = if crc & 1 == 1 { (crc >> 1) ^ 0xEDB8_8320 } else { crc >> 1 };
            }
        }
        bytes[end..end + 4].copy_from_slice(&(!crc).to_be_bytes());
        at = end + 4;
    }
}

/// A text with words that parsers stumble over put in places of it.
pub fn damage_text(rng: &mut impl Rng, text: &str, words: &[&str]) -> String {
    let mut lines: Vec<String> = text.lines().map(String::from).collect();
    for _ in 0..rng.random_range(1..=4) {
        if lines.is_empty() {
            break;
        }
        let i = rng.random_range(0..lines.len());
        let word = words[rng.random_range(0..words.len())];
        match rng.random_range(0..6) {
            // One value of the line becomes the word.
            0 | 1 => {
                let cuts: Vec<usize> = lines[i].match_indices([',', '=', '"', ':', ' ']).map(|(k, _)| k + 1).collect();
                let from = if cuts.is_empty() { 0 } else { cuts[rng.random_range(0..cuts.len())] };
                let rest = &lines[i][from..];
                let to = from + rest.find([',', '"', '}', ']']).unwrap_or(rest.len());
                lines[i].replace_range(from..to, word);
            }
            2 => lines[i] = word.to_string(),
            3 => drop(lines.remove(i)),
            4 => {
                let again = lines[i].clone();
                lines.insert(i, again);
            }
            _ => {
                let other = rng.random_range(0..lines.len());
                lines.swap(i, other);
            }
        }
    }
    lines.join("\n")
}
