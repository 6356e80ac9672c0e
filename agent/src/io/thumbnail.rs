//! Small pictures made of large ones, by a decoder with limits. Pictures are strangers' bytes: whatever goes wrong here
//! costs the thumbnail and nothing else.

use image::codecs::jpeg::JpegEncoder;
use image::{ImageFormat, ImageReader, Limits};
use pintle_core::images::{Media, PIXELS_MAX, Seen};
use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Mutex, PoisonError};

/// Memory that decoding may take, bytes: three bytes for each pixel, and as much again for what the decoder needs.
const DECODE_BYTES_MAX: u64 = PIXELS_MAX * 6;
/// Quality of the JPEG that is made, 1 to 100 (our own: a plate of 60 pixels is legible).
const QUALITY: u8 = 70;

/// One picture is decoded at a time, so that memory has a bound and the reads keep a core.
static ONE: Mutex<()> = Mutex::new(());

/// A JPEG whose longer side has at most `side_px` pixels; `None` if none is wanted, if the picture is no larger, if
/// the kind is not decoded here, or if the picture can't be decoded within its limits. Blocks for as long as that
/// takes.
#[must_use]
pub fn thumbnail(picture: &[u8], seen: Seen, side_px: u32) -> Option<Vec<u8>> {
    let format = match seen.media {
        Media::Jpeg => ImageFormat::Jpeg,
        Media::Png => ImageFormat::Png,
        Media::Webp => return None,
    };
    if side_px == 0 || seen.width.max(seen.height) <= side_px {
        return None;
    }
    let _turn = ONE.lock().unwrap_or_else(PoisonError::into_inner);
    // Our own hook tells where it was, never what it worked on.
    catch_unwind(AssertUnwindSafe(|| made(picture, format, side_px))).ok().flatten()
}

fn made(picture: &[u8], format: ImageFormat, side_px: u32) -> Option<Vec<u8>> {
    let mut reader = ImageReader::with_format(Cursor::new(picture), format);
    let mut limits = Limits::no_limits();
    limits.max_image_width = Some(65_535);
    limits.max_image_height = Some(65_535);
    limits.max_alloc = Some(DECODE_BYTES_MAX);
    reader.limits(limits);
    let decoded = reader.decode().ok()?;
    let small = decoded.thumbnail(side_px.min(decoded.width()), side_px.min(decoded.height())).into_rgb8();
    drop(decoded);
    let mut out = Vec::new();
    JpegEncoder::new_with_quality(&mut out, QUALITY).encode_image(&small).ok()?;
    Some(out)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use image::{DynamicImage, RgbImage};
    use pintle_core::images::look;

    fn picture(format: ImageFormat) -> Vec<u8> {
        let mut out = Cursor::new(Vec::new());
        let drawn = RgbImage::from_fn(320, 200, |x, y| image::Rgb([x.to_le_bytes()[0], y.to_le_bytes()[0], 90]));
        DynamicImage::ImageRgb8(drawn).write_to(&mut out, format).unwrap();
        out.into_inner()
    }

    #[test]
    fn a_thumbnail_keeps_the_shape_and_is_a_jpeg() {
        for format in [ImageFormat::Jpeg, ImageFormat::Png] {
            let picture = picture(format);
            let small = thumbnail(&picture, look(&picture).unwrap(), 80).unwrap();
            let seen = look(&small).unwrap();
            assert_eq!((seen.media, seen.width, seen.height), (Media::Jpeg, 80, 50));
            assert_eq!(thumbnail(&picture, look(&picture).unwrap(), 0), None);
        }
    }

    #[test]
    fn damage_and_lies_cost_the_thumbnail_only() {
        let mut damaged = picture(ImageFormat::Png);
        let seen = look(&damaged).unwrap();
        let middle = damaged.len() / 2;
        damaged[middle..middle + 64].fill(0xff);
        assert_eq!(thumbnail(&damaged, seen, 80), None);
        // The head claims the largest size that is taken, and there is nothing behind it.
        let mut liar = picture(ImageFormat::Png);
        liar[16..24].copy_from_slice(&[0, 0, 0x13, 0x88, 0, 0, 0x12, 0xc0]);
        assert_eq!(thumbnail(&liar, seen, 80), None);
    }
}
