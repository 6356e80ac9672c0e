//! What a picture file is, by its own bytes: kind, size, and whether it is there to its end. Nothing is decoded.

use super::{ImageFault, Media, PIXELS_MAX, Seen};

const PNG: &[u8] = b"\x89PNG\r\n\x1a\n";

/// Looks at a whole file. Every look ends after at most one pass over the bytes.
///
/// # Errors
/// [`ImageFault`].
pub fn look(bytes: &[u8]) -> Result<Seen, ImageFault> {
    if bytes.is_empty() {
        return Err(ImageFault::Empty);
    }
    let seen = if bytes.starts_with(&[0xff, 0xd8, 0xff]) {
        jpeg(bytes)?
    } else if bytes.starts_with(PNG) {
        png(bytes)?
    } else if bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP") {
        webp(bytes)?
    } else {
        return Err(ImageFault::Unknown);
    };
    let Seen { width, height, .. } = seen;
    if width == 0 || height == 0 {
        return Err(ImageFault::NoSize);
    }
    if PIXELS_MAX < u64::from(width) * u64::from(height) {
        return Err(ImageFault::TooManyPixels { width, height });
    }
    Ok(seen)
}

fn be16(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?)))
}

fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

fn le24(bytes: &[u8], at: usize) -> Option<u32> {
    let part = bytes.get(at..at + 3)?;
    Some(u32::from(part[0]) | u32::from(part[1]) << 8 | u32::from(part[2]) << 16)
}

/// Source: ITU-T T.81, annex B: segments up to the first scan, then the end marker. Within scans a byte 0xFF is
/// followed by 0 or by a marker, so the first 0xFF 0xD9 behind the first scan's head is the end.
fn jpeg(bytes: &[u8]) -> Result<Seen, ImageFault> {
    let mut at = 2;
    let mut size = None;
    loop {
        if *bytes.get(at).ok_or(ImageFault::Cut)? != 0xff {
            return Err(ImageFault::NoSize);
        }
        while bytes.get(at) == Some(&0xff) {
            at += 1;
        }
        let marker = *bytes.get(at).ok_or(ImageFault::Cut)?;
        at += 1;
        match marker {
            0x01 | 0xd0..=0xd7 => continue,
            0x00 | 0xd8 | 0xd9 => return Err(ImageFault::NoSize),
            _ => {}
        }
        let length = usize::try_from(be16(bytes, at).ok_or(ImageFault::Cut)?).unwrap_or(usize::MAX);
        if length < 2 {
            return Err(ImageFault::NoSize);
        }
        // A frame header; C4, C8 and CC are tables.
        if matches!(marker, 0xc0..=0xcf) && !matches!(marker, 0xc4 | 0xc8 | 0xcc) {
            size = be16(bytes, at + 5).zip(be16(bytes, at + 3));
            if size.is_none() {
                return Err(ImageFault::Cut);
            }
        }
        at += length;
        if marker == 0xda {
            break;
        }
    }
    let (width, height) = size.ok_or(ImageFault::NoSize)?;
    let scan = bytes.get(at..).ok_or(ImageFault::Cut)?;
    if !scan.windows(2).any(|pair| pair == [0xff, 0xd9]) {
        return Err(ImageFault::Cut);
    }
    Ok(Seen { media: Media::Jpeg, width, height })
}

/// Source: PNG (third edition) sections 5.3 and 11.2.2: IHDR is the first chunk, IEND the last.
fn png(bytes: &[u8]) -> Result<Seen, ImageFault> {
    let (Some(width), Some(height)) = (be32(bytes, 16), be32(bytes, 20)) else { return Err(ImageFault::Cut) };
    if bytes.get(12..16) != Some(b"IHDR") {
        return Err(ImageFault::NoSize);
    }
    let mut at = PNG.len();
    loop {
        let length = usize::try_from(be32(bytes, at).ok_or(ImageFault::Cut)?).map_err(|_| ImageFault::Cut)?;
        let kind = bytes.get(at + 4..at + 8).ok_or(ImageFault::Cut)?;
        let end = at.checked_add(length).and_then(|end| end.checked_add(12)).ok_or(ImageFault::Cut)?;
        if bytes.len() < end {
            return Err(ImageFault::Cut);
        }
        if kind == b"IEND" {
            return Ok(Seen { media: Media::Png, width, height });
        }
        at = end;
    }
}

/// Source: RFC 9649 section 2.
fn webp(bytes: &[u8]) -> Result<Seen, ImageFault> {
    let told = bytes.get(4..8).and_then(|size| size.try_into().ok()).map(u32::from_le_bytes).ok_or(ImageFault::Cut)?;
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) < u64::from(told) + 8 {
        return Err(ImageFault::Cut);
    }
    let size = match bytes.get(12..16) {
        Some(b"VP8 ") if bytes.get(23..26) == Some(&[0x9d, 0x01, 0x2a]) => {
            le24(bytes, 26).map(|low| low & 0x3fff).zip(le24(bytes, 28).map(|low| low & 0x3fff))
        }
        Some(b"VP8L") if bytes.get(20) == Some(&0x2f) => {
            let bits = bytes.get(21..25).and_then(|bits| bits.try_into().ok()).map(u32::from_le_bytes);
            bits.map(|bits| ((bits & 0x3fff) + 1, (bits >> 14 & 0x3fff) + 1))
        }
        Some(b"VP8X") => le24(bytes, 24).map(|less| less + 1).zip(le24(bytes, 27).map(|less| less + 1)),
        _ => None,
    };
    let (width, height) = size.ok_or(ImageFault::NoSize)?;
    Ok(Seen { media: Media::Webp, width, height })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn jpeg_of(width: u16, height: u16) -> Vec<u8> {
        let mut out = vec![0xff, 0xd8, 0xff, 0xe0, 0, 4, 1, 2, 0xff, 0xff, 0xc0, 0, 11, 8];
        out.extend(height.to_be_bytes());
        out.extend(width.to_be_bytes());
        out.extend([1, 1, 0x11, 0, 0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0, 1, 2, 0xff, 0, 3, 0xff, 0xd9]);
        out
    }

    fn png_of(width: u32, height: u32) -> Vec<u8> {
        let mut out = PNG.to_vec();
        out.extend(13_u32.to_be_bytes());
        out.extend(b"IHDR");
        out.extend(width.to_be_bytes());
        out.extend(height.to_be_bytes());
        out.extend([8, 2, 0, 0, 0, 0, 0, 0, 0]);
        out.extend([0, 0, 0, 0]);
        out.extend(b"IEND\xae\x42\x60\x82");
        out
    }

    fn webp_of(chunk: &[u8]) -> Vec<u8> {
        let mut out = b"RIFF".to_vec();
        out.extend(u32::try_from(chunk.len() + 4).unwrap().to_le_bytes());
        out.extend(b"WEBP");
        out.extend(chunk);
        out
    }

    #[test]
    fn kind_and_size_come_from_the_bytes() {
        let seen = |media, width, height| Ok(Seen { media, width, height });
        assert_eq!(look(&jpeg_of(1920, 1080)), seen(Media::Jpeg, 1920, 1080));
        assert_eq!(look(&png_of(640, 480)), seen(Media::Png, 640, 480));
        let lossy = b"VP8 \x0a\0\0\0\0\0\0\x9d\x01\x2a\x80\x02\xe0\x01";
        assert_eq!(look(&webp_of(&[lossy.as_slice(), &[0]].concat())), seen(Media::Webp, 640, 480));
        let wide = b"VP8X\x0a\0\0\0\0\0\0\0\x7f\x02\0\xdf\x01\0";
        assert_eq!(look(&webp_of(wide)), seen(Media::Webp, 640, 480));
        let lossless = [b"VP8L\x05\0\0\0\x2f".as_slice(), &(0x27f_u32 | 0x1df << 14).to_le_bytes()].concat();
        assert_eq!(look(&webp_of(&lossless)), seen(Media::Webp, 640, 480));
    }

    #[test]
    fn what_is_no_picture_is_told_why() {
        assert_eq!(look(b""), Err(ImageFault::Empty));
        assert_eq!(look(b"GIF89a...."), Err(ImageFault::Unknown));
        assert_eq!(look(b"<svg/>"), Err(ImageFault::Unknown));
        assert_eq!(look(&jpeg_of(0, 5)), Err(ImageFault::NoSize));
        let bomb = look(&png_of(60_000, 60_000));
        assert_eq!(bomb, Err(ImageFault::TooManyPixels { width: 60_000, height: 60_000 }));
        assert!(look(&jpeg_of(65_535, 65_535)).is_err());
    }

    #[test]
    fn a_file_that_was_cut_anywhere_is_never_taken() {
        for whole in [jpeg_of(64, 48), png_of(64, 48)] {
            assert!(look(&whole).is_ok());
            for len in 0..whole.len() {
                assert!(look(&whole[..len]).is_err(), "{len} of {}", whole.len());
            }
        }
    }

    proptest! {
        #[test]
        fn any_bytes_are_looked_at_without_harm(
            bytes in prop::collection::vec(any::<u8>(), 0..600), kind in 0_usize..4,
        ) {
            let head: &[u8] = [&[0xff_u8, 0xd8, 0xff][..], PNG, b"RIFF\0\0\0\0WEBP", b""][kind];
            if let Ok(seen) = look(&[head, &bytes].concat()) {
                prop_assert!(u64::from(seen.width) * u64::from(seen.height) <= PIXELS_MAX);
            }
        }
    }
}
