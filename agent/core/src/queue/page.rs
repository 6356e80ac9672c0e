//! The unused part of a page of SQLite's. When rows are moved from one page to another, a copy may stay behind there;
//! `secure_delete` overwrites what is deleted and not what was moved. Source: the SQLite file format, section 1.6.

use std::ops::Range;

/// First byte of a leaf page of a table: only those hold rows.
const TABLE_LEAF: u8 = 0x0d;
/// Length of its header.
const HEADER: usize = 8;
/// Pages beyond this are not looked at: the page number with which an overflow page begins could then be mistaken for
/// the first byte of a leaf. That is a file of 890 GB.
pub const PAGES_MAX: u32 = 0x0d00_0000;

/// Where the unused bytes of a table's leaf page lie; `None` if it is no such page, or not a sound one. Page 1 is none:
/// it holds the schema.
#[must_use]
pub fn unused(page: &[u8]) -> Option<Range<usize>> {
    let number = |at: usize| Some(usize::from(u16::from_be_bytes(page.get(at..at + 2)?.try_into().ok()?)));
    if *page.first()? != TABLE_LEAF {
        return None;
    }
    let cells = number(3)?;
    // 0 stands for 65,536.
    let content = Some(number(5)?).filter(|at| *at != 0).unwrap_or(65_536);
    let begin = HEADER + 2 * cells;
    let sound = begin <= content && content <= page.len();
    let pointers_fit =
        || (0..cells).all(|cell| number(HEADER + 2 * cell).is_some_and(|at| (content..page.len()).contains(&at)));
    (sound && pointers_fit()).then_some(begin..content)
}

/// Whether something is left in the unused part of a page.
#[must_use]
pub fn is_soiled(page: &[u8]) -> bool {
    unused(page).is_some_and(|range| page[range].iter().any(|byte| *byte != 0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leaf(cells: &[u16], content: u16) -> Vec<u8> {
        let mut page = vec![0; 512];
        page[0] = TABLE_LEAF;
        page[3..5].copy_from_slice(&u16::try_from(cells.len()).unwrap_or(0).to_be_bytes());
        page[5..7].copy_from_slice(&content.to_be_bytes());
        for (cell, at) in cells.iter().enumerate() {
            page[8 + 2 * cell..10 + 2 * cell].copy_from_slice(&at.to_be_bytes());
        }
        page[usize::from(content)..].fill(7);
        page
    }

    #[test]
    fn the_unused_part_lies_between_the_pointers_and_the_first_row() {
        let mut page = leaf(&[500, 400, 450], 400);
        assert_eq!(unused(&page), Some(14..400));
        assert!(!is_soiled(&page));
        page[399] = 1;
        assert!(is_soiled(&page));
    }

    #[test]
    fn whatever_is_no_sound_leaf_is_left_alone() {
        let good = leaf(&[500], 500);
        for (at, value) in [(0, 0x05), (0, 0x0a), (0, 0x00), (3, 2), (5, 9), (8, 3), (9, 0)] {
            let mut bad = good.clone();
            bad[at] = value;
            assert_eq!(unused(&bad), None, "byte {at} is {value}");
        }
        assert_eq!(unused(&good[..6]), None);
        assert_eq!(unused(&[]), None);
    }
}
