use super::*;
use proptest::prelude::*;

/// Feeds `chunks` and gives what was read as text, with the counts.
fn read<'a>(chunks: impl IntoIterator<Item = &'a [u8]>) -> (Vec<String>, Counts) {
    let mut reader = Reader::default();
    let mut seen = Vec::new();
    let mut sink = |sentence: &Sentence<'_>| {
        let body = String::from_utf8_lossy(sentence.body).into_owned();
        seen.push(format!("{}{}{body}", sentence.label.talker(), sentence.label.kind()));
    };
    for chunk in chunks {
        reader.feed(chunk, &mut sink);
    }
    reader.finish(&mut sink);
    let counts = reader.counts().clone();
    (seen, counts)
}

fn sealed(text: &str) -> String {
    format!("${text}*{:02X}", text.bytes().fold(0, |sum, c| sum ^ c))
}

#[test]
fn nothing_is_taken_from_a_sentence_whose_checksum_is_wrong_or_missing() {
    let good = sealed("GPZDA,120000,25,11,2026,,");
    let text = good.trim_end_matches(|c| c != '*');
    let stream = format!("{good}\r\n{text}00\r\n{text}\r\n{text}4\r\n{}\r\n{good}x\r\n", &text[..text.len() - 1]);
    let (seen, counts) = read([stream.as_bytes()]);
    assert_eq!(seen, ["GPZDA,120000,25,11,2026,,"]);
    assert_eq!((counts.sentences, counts.valid, counts.wrong, counts.missing), (6, 1, 1, 4));
}

#[test]
fn two_sentences_on_one_line_are_two_and_noise_between_them_is_none() {
    let (a, b) = (sealed("GPAAA,1"), sealed("GPBBB,2"));
    let stream = format!("{a}{b}\n\0\0{a}\0\u{0}rest$$*{b}   \r\r\n$GPBBB,2*6");
    let (seen, counts) = read([stream.as_bytes()]);
    assert_eq!(seen, ["GPAAA,1", "GPBBB,2", "GPAAA,1", "GPBBB,2"]);
    assert_eq!((counts.sentences, counts.valid, counts.missing, counts.no_address), (5, 4, 1, 2));
}

#[test]
fn an_exclamation_mark_starts_a_sentence_only_before_five_capitals_and_a_comma() {
    let ais = |text: &str| sealed(text).replace('$', "!");
    let (a, b) = (sealed("GPTXT,stop! now"), ais("AIVDM,1,1,,A,x,0"));
    let stream = format!("{a}{b}{b}!!{b}!AIVD!{b}!AIVDMX\r\n!");
    let (seen, counts) = read([stream.as_bytes()]);
    assert_eq!(seen, ["GPTXT,stop! now", "AIVDM,1,1,,A,x,0"]);
    assert_eq!((counts.sentences, counts.valid, counts.missing), (5, 2, 3), "marks after the digits spoil three");
}

#[test]
fn a_line_without_end_is_cut_and_the_next_sentence_is_read() {
    let good = sealed("GPAAA,1");
    let long = "x".repeat(100_000);
    let stream = format!("$GPTXT,{long}{good}\r\n");
    let (seen, counts) = read([stream.as_bytes()]);
    assert_eq!(seen, ["GPAAA,1"]);
    assert_eq!((counts.too_long, counts.missing, counts.longest), (1, 1, good.len()));
    let (seen, counts) = read(stream.as_bytes().chunks(7));
    assert_eq!(seen, ["GPAAA,1"]);
    assert_eq!((counts.too_long, counts.missing, counts.longest), (1, 1, good.len()));
}

fn pieces() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        "[A-Z0-9]{2}[A-Z]{3},[ -~]{0,90}".prop_map(|text| sealed(&text).into_bytes()),
        "[$!]{0,2}[A-Z]{4,6},?[ -~]{0,9}".prop_map(String::into_bytes),
        Just(b"!AIVDM,".to_vec()),
        Just(b"\r\n".to_vec()),
        "[ -~]{500,540}".prop_map(String::into_bytes),
        prop::collection::vec(any::<u8>(), 0..12),
    ];
    prop::collection::vec(piece, 0..24).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn how_the_stream_was_cut_makes_no_difference(
        stream in pieces(),
        sizes in prop::collection::vec(1_usize..40, 1..40),
    ) {
        let (whole, whole_counts) = read([stream.as_slice()]);
        let mut rest = stream.as_slice();
        let mut chunks = Vec::new();
        for size in sizes.iter().cycle() {
            if rest.is_empty() {
                break;
            }
            let (chunk, after) = rest.split_at((*size).min(rest.len()));
            chunks.push(chunk);
            rest = after;
        }
        let (cut, cut_counts) = read(chunks);
        prop_assert_eq!(whole, cut);
        prop_assert_eq!(format!("{whole_counts:?}"), format!("{cut_counts:?}"));
    }

    #[test]
    fn every_sentence_is_counted_once_and_by_its_checksum(stream in pieces()) {
        let (seen, counts) = read([stream.as_slice()]);
        prop_assert_eq!(counts.valid, u64::try_from(seen.len()).unwrap_or(0));
        prop_assert_eq!(counts.sentences, counts.valid + counts.wrong + counts.missing);
        let labels = counts.by_label.iter().map(|(_, count)| count).sum::<u64>() + counts.by_label.others();
        prop_assert_eq!(counts.sentences, labels);
    }
}
