//! Walks the parsed file by the table of keys and collects every mistake. Nothing here knows what a key is for.

use super::keys::{self, Absent, Kind};
use super::mistakes::Mistake;
use pintle_core::nearest::nearest;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One table of the file; `None` if the file has no such table.
#[derive(Clone, Copy)]
pub(super) struct Section<'t, 'i> {
    pub(super) name: &'static str,
    pub(super) table: Option<&'t DeTable<'i>>,
}

/// Collects mistakes while values are taken out.
pub(super) struct Reader<'i> {
    text: &'i str,
    mistakes: Vec<Mistake>,
}

impl<'i> Reader<'i> {
    pub(super) fn new(text: &'i str) -> Self {
        Self { text, mistakes: Vec::new() }
    }

    /// All mistakes in the order of their lines, one for each line at most where the file itself is malformed.
    pub(super) fn into_mistakes(mut self) -> Vec<Mistake> {
        self.mistakes.sort_by_key(|mistake| mistake.line.unwrap_or(usize::MAX));
        self.mistakes
    }

    pub(super) fn line_of(&self, at: usize) -> usize {
        self.text.as_bytes()[..at.min(self.text.len())].split(|byte| *byte == b'\n').count()
    }

    pub(super) fn mistake(&mut self, at: Option<usize>, key: &str, what: impl Into<String>, advice: impl Into<String>) {
        let line = at.map(|at| self.line_of(at));
        self.mistakes.push(Mistake { line, key: key.to_owned(), what: what.into(), advice: advice.into() });
    }

    /// Lines that can't be parsed. What is missing from the rest can't be told apart from what was lost with them, so
    /// only the mistakes that stand on other lines are kept beside them.
    pub(super) fn malformed(&mut self, errors: &[toml::de::Error]) {
        let lines: Vec<usize> =
            errors.iter().map(|error| self.line_of(error.span().map_or(0, |span| span.start))).collect();
        self.mistakes.retain(|mistake| mistake.line.is_some_and(|line| !lines.contains(&line)));
        let mut told = Vec::new();
        for (error, line) in errors.iter().zip(lines) {
            if told.contains(&line) {
                continue;
            }
            told.push(line);
            let what = error.message().lines().collect::<Vec<_>>().join(", ");
            self.mistakes.push(Mistake {
                line: Some(line),
                key: String::new(),
                what: format!("not TOML ({what})"),
                advice: "write `key = value`, texts in \"quotes\", tables as [name]; keys that are missing are told \
                         once this is mended"
                    .to_owned(),
            });
        }
    }

    /// Unknown tables, and tables of the wrong form.
    pub(super) fn check_tables(&mut self, root: &DeTable<'i>) {
        for (name, value) in root {
            let name_text = shown(name.get_ref());
            let at = Some(name.span().start);
            let Some(known) = keys::tables().into_iter().find(|known| *known == name.get_ref()) else {
                let advice = match nearest(name.get_ref(), keys::tables()) {
                    Some(near) => format!("did you mean [{near}]?"),
                    None => match keys::KEYS.iter().find(|key| key.name == name.get_ref()) {
                        Some(key) => format!("it belongs below [{}]", key.table),
                        None => format!("take it out; the tables are {}", keys::tables().join(", ")),
                    },
                };
                self.mistake(at, &name_text, format!("there is no table `{name_text}`"), advice);
                continue;
            };
            let listed = keys::TABLES_LISTED.contains(&known);
            let fits = if listed { value.get_ref().is_array() } else { value.get_ref().is_table() };
            if !fits {
                let form = if listed { format!("[[{known}]]") } else { format!("[{known}]") };
                let what = format!("`{known}` has the wrong form");
                self.mistake(at, known, what, format!("write it as a table: {form} on a line of its own"));
            }
        }
    }

    /// The table `name`; a missing one is a mistake if the file must have it.
    pub(super) fn section<'t>(&mut self, root: &'t DeTable<'i>, name: &'static str) -> Section<'t, 'i> {
        let value = root.get(name);
        if value.is_none() && keys::TABLES_NEEDED.contains(&name) {
            let needed: Vec<String> = keys::KEYS
                .iter()
                .filter(|key| key.table == name && key.absent == Absent::Refused)
                .map(|key| format!("`{}` ({})", key.name, key.kind.range()))
                .collect();
            self.mistake(None, name, format!("table [{name}]"), format!("add it with {}", needed.join(" and ")));
        }
        let section = Section { name, table: value.and_then(|value| value.get_ref().as_table()) };
        self.check_names(section);
        section
    }

    /// The tables `[[name]]`, with where each begins.
    pub(super) fn sections<'t>(
        &mut self,
        root: &'t DeTable<'i>,
        name: &'static str,
    ) -> Vec<(Section<'t, 'i>, Option<usize>)> {
        let Some(value) = root.get(name) else {
            self.section(root, name);
            return Vec::new();
        };
        let mut sections = Vec::new();
        for one in value.get_ref().as_array().into_iter().flatten() {
            let section = Section { name, table: one.get_ref().as_table() };
            if section.table.is_none() {
                self.mistake(
                    Some(one.span().start),
                    name,
                    format!("an entry of `{name}` has the wrong form"),
                    format!("write [[{name}]] on a line of its own, its keys below"),
                );
                continue;
            }
            self.check_names(section);
            sections.push((section, Some(one.span().start)));
        }
        sections
    }

    fn check_names(&mut self, section: Section<'_, 'i>) {
        for (name, _) in section.table.into_iter().flatten() {
            if keys::find(section.name, name.get_ref()).is_some() {
                continue;
            }
            let table = section.name;
            let own = keys::KEYS.iter().filter(|key| key.table == table).map(|key| key.name);
            let elsewhere = keys::KEYS.iter().find(|key| key.name == name.get_ref());
            let advice = match (nearest(name.get_ref(), own.clone()), elsewhere) {
                (Some(near), _) => format!("did you mean `{near}`?"),
                (None, Some(key)) => format!("it belongs below [{}]", key.table),
                (None, None) => format!("take it out; the keys here are {}", own.collect::<Vec<_>>().join(", ")),
            };
            let name_text = shown(name.get_ref());
            let what = format!("[{table}] has no key `{name_text}`");
            self.mistake(Some(name.span().start), &format!("{table}.{name_text}"), what, advice);
        }
    }

    /// The value of a key with its place; a missing one is a mistake if the file must have it.
    fn value<'t>(&mut self, section: Section<'t, 'i>, name: &str) -> Option<&'t Spanned<DeValue<'i>>> {
        let found = section.table?.get(name);
        if let (None, Some(key)) = (found, keys::find(section.name, name))
            && key.absent == Absent::Refused
        {
            let full = format!("{}.{name}", section.name);
            let advice = format!("add `{name} = …` below [{}]: {}", section.name, key.kind.range());
            self.mistake(None, &full, format!("`{full}`"), advice);
        }
        found
    }

    fn wrong(&mut self, section: Section<'_, 'i>, name: &str, value: &Spanned<DeValue<'_>>, what: &str) {
        let range = keys::find(section.name, name).map(|key| key.kind.range()).unwrap_or_default();
        let full = format!("{}.{name}", section.name);
        self.mistake(Some(value.span().start), &full, format!("`{full}` {what}"), format!("write {range}"));
    }

    /// A whole number, already within its range; the default, or the lowest value after a mistake.
    pub(super) fn whole(&mut self, section: Section<'_, 'i>, name: &str) -> u64 {
        let key = keys::find(section.name, name);
        let fallback = match key {
            Some(keys::Key { absent: Absent::Whole(n), .. }) => *n,
            Some(keys::Key { kind: Kind::Whole { min, .. }, .. }) => *min,
            _ => 0,
        };
        let Some(value) = self.value(section, name) else { return fallback };
        let fits = |n: u64| match key.map(|key| key.kind) {
            Some(Kind::Whole { min, max, .. }) => min <= n && n <= max,
            Some(Kind::OneOf { values, .. }) => values.contains(&n),
            _ => false,
        };
        let number = value
            .get_ref()
            .as_integer()
            .map(|number| i128::from_str_radix(number.as_str(), number.radix()).unwrap_or(i128::MAX));
        match number {
            None => self.wrong(section, name, value, "is no whole number"),
            Some(n) => match u64::try_from(n) {
                Ok(n) if fits(n) => return n,
                _ => self.wrong(section, name, value, "is out of range"),
            },
        }
        fallback
    }

    /// As [`Self::whole`], for keys whose range fits.
    pub(super) fn whole_u32(&mut self, section: Section<'_, 'i>, name: &str) -> u32 {
        u32::try_from(self.whole(section, name)).unwrap_or(u32::MAX)
    }

    /// A number, already within its range; the default after a mistake.
    pub(super) fn number(&mut self, section: Section<'_, 'i>, name: &str) -> f64 {
        let key = keys::find(section.name, name);
        let fallback = if let Some(keys::Key { absent: Absent::Number(n), .. }) = key { *n } else { 0.0 };
        let Some(value) = self.value(section, name) else { return fallback };
        let number = match value.get_ref() {
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse::<f64>().ok(),
            DeValue::Float(number) => number.as_str().parse::<f64>().ok(),
            _ => None,
        };
        match (number, key.map(|key| key.kind)) {
            (Some(n), Some(Kind::Number { min, max, .. })) if min <= n && n <= max => return n,
            (Some(_), _) => self.wrong(section, name, value, "is out of range"),
            (None, _) => self.wrong(section, name, value, "is no number"),
        }
        fallback
    }

    /// A text with its place; `None` if it isn't there or was a mistake.
    pub(super) fn text(&mut self, section: Section<'_, 'i>, name: &str) -> Option<(String, usize)> {
        let value = self.value(section, name)?;
        let Some(text) = value.get_ref().as_str() else {
            self.wrong(section, name, value, "is no text");
            return None;
        };
        let chars_max = match keys::find(section.name, name).map(|key| key.kind) {
            Some(Kind::Text { chars_max } | Kind::Name { chars_max }) => chars_max,
            _ => TEXT_CHARS_MAX,
        };
        let chars = text.chars().count();
        if text.trim().is_empty() {
            self.wrong(section, name, value, "is empty");
        } else if chars_max < chars {
            self.wrong(section, name, value, &format!("has {chars} characters, too many"));
        } else if pintle_core::ids::printable(text, chars_max) != text {
            self.wrong(section, name, value, "holds characters that can't be printed");
        } else {
            return Some((text.to_owned(), value.span().start));
        }
        None
    }

    /// One of the words of the key; the default, or the first word after a mistake.
    pub(super) fn choice(&mut self, section: Section<'_, 'i>, name: &str) -> &'static str {
        let Some(key) = keys::find(section.name, name) else { return "" };
        let words: &'static [&'static str] = if let Kind::Choice(words) = key.kind { words } else { &[] };
        let fallback = if let Absent::Word(word) = key.absent { word } else { words.first().copied().unwrap_or("") };
        let Some(value) = self.value(section, name) else { return fallback };
        let text = value.get_ref().as_str();
        if let Some(word) = words.iter().find(|word| Some(**word) == text) {
            return word;
        }
        let full = format!("{}.{name}", section.name);
        let near = text.and_then(|text| nearest(text, words.iter().copied()));
        let advice = match near {
            Some(near) => format!("did you mean \"{near}\"? It may be {}", key.kind.range()),
            None => format!("write {}", key.kind.range()),
        };
        self.mistake(Some(value.span().start), &full, format!("`{full}` is none of its choices"), advice);
        fallback
    }

    /// A path; the default if the key has one.
    pub(super) fn path(&mut self, section: Section<'_, 'i>, name: &str) -> Option<PathBuf> {
        let fallback = match keys::find(section.name, name).map(|key| key.absent) {
            Some(Absent::Word(path)) => Some(PathBuf::from(path)),
            _ => None,
        };
        let Some((text, at)) = self.text(section, name) else { return fallback };
        if Path::new(&text).is_absolute() {
            return Some(PathBuf::from(text));
        }
        let full = format!("{}.{name}", section.name);
        self.mistake(
            Some(at),
            &full,
            format!("`{full}` is a path from an unknown start"),
            "write the whole path, beginning with /",
        );
        fallback
    }

    /// A list of paths; empty if it is not there.
    pub(super) fn paths(&mut self, section: Section<'_, 'i>, name: &str) -> Vec<PathBuf> {
        let Some(value) = self.value(section, name) else { return Vec::new() };
        let max = match keys::find(section.name, name).map(|key| key.kind) {
            Some(Kind::Paths { max }) => max,
            _ => usize::MAX,
        };
        let list = value.get_ref().as_array();
        let paths: Option<Vec<PathBuf>> = list.and_then(|list| {
            list.iter()
                .map(|path| path.get_ref().as_str().map(PathBuf::from).filter(|path| path.is_absolute()))
                .collect()
        });
        match paths {
            Some(paths) if (1..=max).contains(&paths.len()) => paths,
            _ => {
                self.wrong(section, name, value, "is no such list");
                Vec::new()
            }
        }
    }

    /// A loopback address with port.
    pub(super) fn loopback(&mut self, section: Section<'_, 'i>, name: &str) -> Option<SocketAddr> {
        let (text, at) = self.text(section, name)?;
        let full = format!("{}.{name}", section.name);
        match text.parse::<SocketAddr>() {
            Ok(address) if address.ip().is_loopback() => return Some(address),
            Ok(_) => self.mistake(
                Some(at),
                &full,
                format!("`{full}` could be reached from outside this computer"),
                "write 127.0.0.1:PORT or [::1]:PORT; reads are taken from this computer only",
            ),
            Err(_) => self.mistake(
                Some(at),
                &full,
                format!("`{full}` is no address with a port"),
                "write 127.0.0.1:PORT or [::1]:PORT, for example 127.0.0.1:7400",
            ),
        }
        None
    }
}

/// Longest text of any key, characters (the longest path that Linux takes is 4096; source: limits.h `PATH_MAX`).
const TEXT_CHARS_MAX: usize = 4096;

/// A name from the file, fit for a message.
fn shown(name: &str) -> String {
    pintle_core::ids::printable(name, 40)
}
