//! JSON from strangers as a tree: one value, no name twice, bounded in depth and breadth. Everything that the intake
//! takes goes through here before anybody looks at a field.

use serde::de::{DeserializeSeed, MapAccess, SeqAccess, Visitor};
use std::borrow::Cow;
use std::cell::RefCell;
use std::fmt;

/// Deepest nesting; a read needs three levels (our own limit).
pub const DEPTH_MAX: usize = 8;
/// Most fields of one object (our own limit; keeps the search for names that stand twice cheap).
pub const FIELDS_MAX: usize = 64;
/// Most items of one list (our own limit).
pub const ITEMS_MAX: usize = 256;

/// One JSON value. It has no `Debug`: it may hold a plate.
#[derive(Clone, PartialEq)]
pub enum Tree<'a> {
    /// `null`
    Null,
    /// `true` or `false`
    Flag(bool),
    /// Any number; always finite.
    Number(f64),
    /// Text.
    Text(Cow<'a, str>),
    /// A list.
    List(Vec<Tree<'a>>),
    /// Fields in the order in which they were written; no name stands twice.
    Object(Vec<(Cow<'a, str>, Tree<'a>)>),
}

/// Why bytes are no such tree. No text repeats what was sent.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TreeError {
    /// Not UTF-8.
    #[error("this is not UTF-8 from byte {at} on; send JSON as UTF-8")]
    NotUtf8 {
        /// First byte that is none, counted from 1.
        at: usize,
    },
    /// Begins with a byte order mark.
    #[error("this begins with a byte order mark; send UTF-8 without one")]
    ByteOrderMark,
    /// Not JSON.
    #[error("this is not JSON: {detail}")]
    Syntax {
        /// What the parser says, with line and column.
        detail: String,
    },
    /// A name stands twice in one object.
    #[error("a field stands twice in the same object at line {line} column {column}; send each field once")]
    Twice {
        /// Line within the value, counted from 1.
        line: usize,
        /// Column, counted from 1.
        column: usize,
    },
    /// Too deep.
    #[error("objects and lists are nested deeper than {DEPTH_MAX} levels")]
    TooDeep,
    /// Too broad.
    #[error("one object has more than {FIELDS_MAX} fields, or one list more than {ITEMS_MAX} items")]
    TooBroad,
}

/// What a visitor found wrong, to be told apart from what the parser found.
#[derive(Clone, Copy)]
enum Found {
    Twice,
    TooDeep,
    TooBroad,
}

/// Reads one JSON value from the whole of `bytes`.
///
/// # Errors
/// [`TreeError`]
pub fn parse(bytes: &[u8]) -> Result<Tree<'_>, TreeError> {
    let text = std::str::from_utf8(bytes).map_err(|e| TreeError::NotUtf8 { at: e.valid_up_to() + 1 })?;
    if text.starts_with('\u{feff}') {
        return Err(TreeError::ByteOrderMark);
    }
    let found = RefCell::new(None);
    let mut parser = serde_json::Deserializer::from_str(text);
    let value = Seed { depth: 0, found: &found }.deserialize(&mut parser);
    value.and_then(|tree| parser.end().map(|()| tree)).map_err(|e| match found.into_inner() {
        Some(Found::Twice) => TreeError::Twice { line: e.line(), column: e.column() },
        Some(Found::TooDeep) => TreeError::TooDeep,
        Some(Found::TooBroad) => TreeError::TooBroad,
        None => TreeError::Syntax { detail: e.to_string() },
    })
}

impl Tree<'_> {
    /// Bytes of this value as compact JSON, escapes counted as one byte each.
    #[must_use]
    pub fn compact_len(&self) -> usize {
        let separated = |lens: usize, count: usize| 2 + lens + count.saturating_sub(1);
        match self {
            Self::Null | Self::Flag(true) => 4,
            Self::Flag(false) => 5,
            Self::Number(number) => number.to_string().len(),
            Self::Text(text) => text.len() + 2,
            Self::List(items) => separated(items.iter().map(Self::compact_len).sum(), items.len()),
            Self::Object(fields) => {
                let lens = fields.iter().map(|(name, value)| name.len() + 3 + value.compact_len()).sum();
                separated(lens, fields.len())
            }
        }
    }
}

#[derive(Clone, Copy)]
struct Seed<'f> {
    depth: usize,
    found: &'f RefCell<Option<Found>>,
}

impl Seed<'_> {
    fn refuse<E: serde::de::Error>(self, found: Found) -> E {
        *self.found.borrow_mut() = Some(found);
        E::custom("refused")
    }

    fn deeper<E: serde::de::Error>(self) -> Result<Self, E> {
        if self.depth == DEPTH_MAX {
            return Err(self.refuse(Found::TooDeep));
        }
        Ok(Self { depth: self.depth + 1, found: self.found })
    }
}

impl<'de> DeserializeSeed<'de> for Seed<'_> {
    type Value = Tree<'de>;

    fn deserialize<D: serde::Deserializer<'de>>(self, from: D) -> Result<Tree<'de>, D::Error> {
        from.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Seed<'_> {
    type Value = Tree<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Tree<'de>, E> {
        Ok(Tree::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Tree<'de>, E> {
        Ok(Tree::Flag(value))
    }

    #[expect(clippy::cast_precision_loss, reason = "no field of a read needs more than 53 bits")]
    fn visit_u64<E>(self, value: u64) -> Result<Tree<'de>, E> {
        Ok(Tree::Number(value as f64))
    }

    #[expect(clippy::cast_precision_loss, reason = "no field of a read needs more than 53 bits")]
    fn visit_i64<E>(self, value: i64) -> Result<Tree<'de>, E> {
        Ok(Tree::Number(value as f64))
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Tree<'de>, E> {
        if value.is_finite() { Ok(Tree::Number(value)) } else { Err(E::custom("number out of range")) }
    }

    fn visit_borrowed_str<E>(self, value: &'de str) -> Result<Tree<'de>, E> {
        Ok(Tree::Text(Cow::Borrowed(value)))
    }

    fn visit_str<E>(self, value: &str) -> Result<Tree<'de>, E> {
        Ok(Tree::Text(Cow::Owned(value.to_owned())))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Tree<'de>, A::Error> {
        let inner = self.deeper()?;
        let mut items = Vec::new();
        while let Some(item) = seq.next_element_seed(inner)? {
            if items.len() == ITEMS_MAX {
                return Err(self.refuse(Found::TooBroad));
            }
            items.push(item);
        }
        Ok(Tree::List(items))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Tree<'de>, A::Error> {
        let inner = self.deeper()?;
        let mut fields: Vec<(Cow<'de, str>, Tree<'de>)> = Vec::with_capacity(12);
        while let Some(name) = map.next_key_seed(Name)? {
            if fields.iter().any(|(known, _)| *known == name) {
                return Err(self.refuse(Found::Twice));
            }
            if fields.len() == FIELDS_MAX {
                return Err(self.refuse(Found::TooBroad));
            }
            fields.push((name, map.next_value_seed(inner)?));
        }
        Ok(Tree::Object(fields))
    }
}

/// A field's name, borrowed where it has no escapes.
struct Name;

impl<'de> DeserializeSeed<'de> for Name {
    type Value = Cow<'de, str>;

    fn deserialize<D: serde::Deserializer<'de>>(self, from: D) -> Result<Self::Value, D::Error> {
        from.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for Name {
    type Value = Cow<'de, str>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a field's name")
    }

    fn visit_borrowed_str<E>(self, value: &'de str) -> Result<Self::Value, E> {
        Ok(Cow::Borrowed(value))
    }

    fn visit_str<E>(self, value: &str) -> Result<Self::Value, E> {
        Ok(Cow::Owned(value.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn refusal(text: &[u8]) -> Option<TreeError> {
        parse(text).err()
    }

    #[test]
    fn a_name_that_stands_twice_is_refused_at_any_level() {
        assert_eq!(refusal(br#"{"a":1,"a":1}"#), Some(TreeError::Twice { line: 1, column: 10 }));
        assert!(matches!(refusal(br#"{"b":{"a":1,"\u0061":2}}"#), Some(TreeError::Twice { .. })));
    }

    #[test]
    fn depth_and_breadth_are_bounded() {
        let nested = |depth: usize| format!("{}{}", "[".repeat(depth), "]".repeat(depth));
        assert!(parse(nested(DEPTH_MAX).as_bytes()).is_ok());
        assert_eq!(refusal(nested(DEPTH_MAX + 1).as_bytes()), Some(TreeError::TooDeep));
        assert_eq!(refusal(nested(100_000).as_bytes()), Some(TreeError::TooDeep));
        let broad = (0..=FIELDS_MAX).map(|n| format!("\"f{n}\":0")).collect::<Vec<_>>().join(",");
        assert_eq!(refusal(format!("{{{broad}}}").as_bytes()), Some(TreeError::TooBroad));
        assert_eq!(refusal(format!("[{}0]", "0,".repeat(ITEMS_MAX)).as_bytes()), Some(TreeError::TooBroad));
    }

    #[test]
    fn what_is_no_json_is_told_with_its_place_and_without_its_content() {
        let missing = TreeError::Syntax { detail: "expected `:` at line 1 column 17".to_owned() };
        assert_eq!(refusal(br#"{"a":"X","Y7K99"}"#), Some(missing));
        assert_eq!(refusal(b"{\"a\":\xff}"), Some(TreeError::NotUtf8 { at: 6 }));
        assert_eq!(refusal("\u{feff}{}".as_bytes()), Some(TreeError::ByteOrderMark));
        for bad in ["", "{", "{} {}", "{\"a\":NaN}", "{\"a\":1e999}", "{\"a\":\"\\ud800\"}", "nul", "{\"a\":\"\n\"}"] {
            assert!(matches!(refusal(bad.as_bytes()), Some(TreeError::Syntax { .. })), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn no_bytes_stop_the_parser(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _parsed = parse(&bytes).is_ok();
        }

        #[test]
        fn nothing_that_was_sent_is_repeated(text in "[\\[\\]{}:,\"ZQ]{0,40}") {
            if let Some(problem) = refusal(text.as_bytes()) {
                prop_assert!(!problem.to_string().contains('Z') && !problem.to_string().contains('Q'));
            }
        }
    }
}
