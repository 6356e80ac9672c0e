//! Shortens a read before it is sealed: what was sealed can't be compressed any more. Fragments that every read has
//! stand for one byte each, taken from the control characters, which JSON text never holds as such. Byte for byte
//! reversible, whatever the text.

/// Code 1 and on, without tab, line feed and carriage return, which may stand between JSON tokens. Never change an
/// entry: sealed reads live for years. Source: our own, the fields of a read in the order in which they are written.
const FRAGMENTS: [(u8, &str); 22] = [
    (0x03, ",\"plate_state\":\"read\",\"confidence\":0."),
    (0x04, ",\"plate_state\":\"read\""),
    (0x05, ",\"plate_state\":\"partial\""),
    (0x06, ",\"plate\":null,\"plate_state\":\"unread\""),
    (0x07, "\",\"captured_at\":\"20"),
    (0x08, "Z\",\"plate\":\""),
    (0x0b, ",\"heading\":\"approaching\""),
    (0x0c, ",\"heading\":\"receding\""),
    (0x0e, ",\"heading\":\"unknown\""),
    (0x0f, ",\"confidence\":"),
    (0x10, ",\"lane\":"),
    (0x11, ",\"jurisdiction\":{\"code\":\""),
    (0x12, "\",\"list\":\""),
    (0x13, ",\"hit\":{\"list\":\""),
    (0x14, "\",\"list_time\":\"20"),
    (0x15, "Z\",\"entry\":\""),
    (0x16, ",\"plate_width_px\":"),
    (0x17, ",\"plate_brightness\":"),
    (0x18, ":00.000Z"),
    (0x19, ".000Z"),
    (0x1a, "{\"id\":\""),
    (0x1b, "\",\"camera\":\""),
];
/// Stands for the event's id.
const ID: u8 = 0x01;
/// Stands for the camera's name.
const CAMERA: u8 = 0x02;
/// The next byte stands for itself.
const AS_IT_IS: u8 = 0x1f;

/// Shortens `read`. `id` and `camera` stand in clear beside it.
#[must_use]
pub fn pack(read: &[u8], id: &str, camera: &str) -> Vec<u8> {
    let mut out = Vec::with_capacity(read.len());
    let mut rest = read;
    while let Some(first) = rest.first() {
        let named = [(ID, id), (CAMERA, camera)];
        // A name of a letter or two is not worth its search, and could stand anywhere.
        let names = named.iter().filter(|(_, text)| 3 <= text.len());
        let hit = FRAGMENTS.iter().chain(names).find(|(_, text)| rest.starts_with(text.as_bytes()));
        if let Some((code, text)) = hit {
            out.push(*code);
            rest = &rest[text.len()..];
            continue;
        }
        if *first < 0x20 {
            out.push(AS_IT_IS);
        }
        out.push(*first);
        rest = &rest[1..];
    }
    out
}

/// The read as it was; `None` if `packed` is nothing that [`pack`] writes.
#[must_use]
pub fn unpack(packed: &[u8], id: &str, camera: &str) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(packed.len() * 4);
    let mut bytes = packed.iter();
    while let Some(byte) = bytes.next() {
        match *byte {
            ID => out.extend_from_slice(id.as_bytes()),
            CAMERA => out.extend_from_slice(camera.as_bytes()),
            AS_IT_IS => out.push(*bytes.next()?),
            code if code < 0x20 => {
                let (_, text) = FRAGMENTS.iter().find(|(known, _)| *known == code)?;
                out.extend_from_slice(text.as_bytes());
            }
            byte => out.push(byte),
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ID_TEXT: &str = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f";

    #[test]
    fn an_ordinary_read_takes_a_third_of_its_length() {
        let read = format!(
            "{{\"id\":\"{ID_TEXT}\",\"camera\":\"north\",\"captured_at\":\"2026-11-25T12:00:00.123Z\",\"plate\":\"QTZ \
             481\",\"plate_state\":\"read\",\"confidence\":0.93,\"heading\":\"approaching\",\"lane\":1}}"
        );
        let packed = pack(read.as_bytes(), ID_TEXT, "north");
        assert!(packed.len() * 3 < read.len(), "{} of {}", packed.len(), read.len());
        assert_eq!(unpack(&packed, ID_TEXT, "north").as_deref(), Some(read.as_bytes()));
    }

    #[test]
    fn no_two_fragments_have_one_code_and_none_is_taken_by_another_use() {
        let mut codes: Vec<u8> =
            FRAGMENTS.iter().map(|(code, _)| *code).chain([ID, CAMERA, AS_IT_IS, 9, 10, 13]).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), FRAGMENTS.len() + 6);
        assert!(codes.iter().all(|code| *code < 0x20));
    }

    proptest! {
        #[test]
        fn whatever_the_bytes_they_come_back(read in prop::collection::vec(any::<u8>(), 0..300), camera in "[a-z]{1,8}") {
            prop_assert_eq!(unpack(&pack(&read, ID_TEXT, &camera), ID_TEXT, &camera), Some(read));
        }

        #[test]
        fn texts_of_fragments_come_back_too(order in prop::collection::vec(0..FRAGMENTS.len(), 0..40)) {
            let text: String = order.iter().map(|at| FRAGMENTS[*at].1).collect();
            prop_assert_eq!(unpack(&pack(text.as_bytes(), ID_TEXT, "north"), ID_TEXT, "north"), Some(text.into_bytes()));
        }

        #[test]
        fn damaged_bytes_never_panic(packed in prop::collection::vec(any::<u8>(), 0..200)) {
            drop(unpack(&packed, ID_TEXT, "north"));
        }
    }
}
