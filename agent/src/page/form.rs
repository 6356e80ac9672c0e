//! What a plain HTML form sends.

/// The fields of `application/x-www-form-urlencoded`, in order. What is no text is left out. Source: WHATWG URL,
/// section 5.1.
pub(super) fn fields(body: &[u8]) -> Vec<(String, String)> {
    body.split(|byte| *byte == b'&')
        .filter(|pair| !pair.is_empty())
        .take(32)
        .filter_map(|pair| {
            let at = pair.iter().position(|byte| *byte == b'=').unwrap_or(pair.len());
            let value = pair.get(at + 1..).unwrap_or_default();
            Some((text(&pair[..at])?, text(value)?))
        })
        .collect()
}

/// The field of that name; empty if there is none.
pub(super) fn field<'f>(fields: &'f [(String, String)], name: &str) -> &'f str {
    fields.iter().find(|(known, _)| known == name).map_or("", |(_, value)| value.as_str())
}

fn text(bytes: &[u8]) -> Option<String> {
    let mut out = Vec::with_capacity(bytes.len());
    let mut at = 0;
    while let Some(byte) = bytes.get(at) {
        let coded = bytes.get(at + 1..at + 3).and_then(|two| std::str::from_utf8(two).ok());
        let coded = coded.and_then(|two| u8::from_str_radix(two, 16).ok()).filter(|_| *byte == b'%');
        match (byte, coded) {
            (_, Some(coded)) => {
                out.push(coded);
                at += 3;
                continue;
            }
            (b'+', None) => out.push(b' '),
            (byte, None) => out.push(*byte),
        }
        at += 1;
    }
    String::from_utf8(out).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_are_read_as_browsers_send_them() {
        let read = fields(b"who=T.+Wray&road=Sm%C3%A5+Lane%20%26+x&empty=&bare&bad=%ff&half=%4");
        let want = [("who", "T. Wray"), ("road", "Sm\u{e5} Lane & x"), ("empty", ""), ("bare", ""), ("half", "%4")];
        assert_eq!(read, want.map(|(name, value)| (name.to_owned(), value.to_owned())));
        assert_eq!(field(&read, "road"), "Sm\u{e5} Lane & x");
        assert_eq!(field(&read, "none"), "");
    }
}
