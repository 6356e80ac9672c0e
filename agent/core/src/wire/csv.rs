//! Comma-separated values that a spreadsheet shows and never runs. Source of the shape: RFC 4180. Source of the
//! neutralising: OWASP, "CSV Injection" (from memory): a cell that begins with `=`, `+`, `-`, `@`, tab or carriage
//! return is a formula to most spreadsheets, blanks before it or not.

use crate::ids::printable;

/// Longest cell, characters; a spreadsheet takes 32,767 (from memory).
const CELL_MAX: usize = 30_000;

/// One cell of text: always quoted, without control and direction-changing characters, and with an apostrophe before
/// what would be a formula.
#[must_use]
pub fn text(cell: &str) -> String {
    // Judged before cleaning, since the cleaning may take away what makes it a formula for some programs only.
    let first = cell.trim_start_matches([' ', '\u{a0}', '\u{feff}']).chars().next();
    // Full-width forms are taken for the plain ones by some programs (from memory).
    let formula = matches!(first, Some('=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '＝' | '＋' | '－' | '＠'));
    let clean = printable(cell, CELL_MAX);
    let cleaned_formula =
        clean.trim_start_matches([' ', '\u{a0}', '\u{fffd}']).starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠']);
    let mark = if formula || cleaned_formula { "'" } else { "" };
    format!("\"{mark}{}\"", clean.replace('"', "\"\""))
}

/// One line of cells that are already written, with the line end of RFC 4180.
#[must_use]
pub fn line(cells: &[String]) -> String {
    format!("{}\r\n", cells.join(","))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_quoted_as_the_standard_wants() {
        assert_eq!(line(&[text("a \"b\", c"), text("")]), "\"a \"\"b\"\", c\",\"\"\r\n");
    }

    #[test]
    fn formulas_are_text_whatever_stands_before_them() {
        for cell in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "\u{feff}=1", "\u{202e}=1", "＝1"]
        {
            let told = text(cell);
            assert!(told.starts_with("\"'"), "{cell:?} became {told:?}");
            assert!(!told.contains(['\t', '\r', '\n', '\u{202e}']), "{told:?}");
        }
        assert_eq!(text("Quernstone Road - north"), "\"Quernstone Road - north\"");
    }
}
