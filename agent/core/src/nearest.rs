//! The nearest known word to a mistyped one, for "did you mean" in refusals.

/// The known word that `word` was most likely meant to be; `None` if none is near. Near means at most one slip of the
/// finger (a letter too many, missing, wrong, or two swapped) for every three letters of the longer word, but never
/// more than three (our own choice: farther suggestions mislead more than they help).
#[must_use]
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word_len = word.chars().take(WORD_CHARS_MAX + 1).count();
    if WORD_CHARS_MAX < word_len {
        return None;
    }
    let near = |candidate: &str| (word_len.max(candidate.chars().count()) / 3).clamp(1, 3);
    known
        .into_iter()
        .map(|candidate| (slips(word, candidate), candidate))
        .filter(|(slips, candidate)| *slips <= near(candidate))
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, candidate)| candidate)
}

/// Longer words are not compared: no key or field of ours is longer, and the cost grows with the square.
const WORD_CHARS_MAX: usize = 64;

/// Optimal string alignment distance, letter case ignored. Source: the textbook recurrence (Damerau 1964 for the four
/// kinds of slip).
fn slips(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().map(|c| c.to_ascii_lowercase()).collect();
    let b: Vec<char> = b.chars().map(|c| c.to_ascii_lowercase()).collect();
    let mut before: Vec<usize> = Vec::new();
    let mut above: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let wrong = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (above[j] + 1).min(row[j - 1] + 1).min(above[j - 1] + wrong);
            if 1 < i && 1 < j && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = std::mem::replace(&mut above, row);
    }
    above[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_finger_finds_the_word_that_was_meant() {
        let known = ["baud", "device", "captured_at", "camera"];
        for (word, meant) in [
            ("buad", Some("baud")),
            ("bauds", Some("baud")),
            ("Device", Some("device")),
            ("capturedAt", Some("captured_at")),
            ("camra", Some("camera")),
            ("speed", None),
            ("", None),
            (&*"x".repeat(100_000), None),
        ] {
            assert_eq!(nearest(word, known), meant, "{word:.20}");
        }
    }
}
