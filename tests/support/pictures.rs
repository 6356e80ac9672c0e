//! Pictures for tests: drawn here, so that no stranger's picture lies in the repository.

use image::{DynamicImage, ImageFormat, Rgb, RgbImage};
use std::io::Cursor;

/// A JPEG; another seed is another picture.
pub fn jpeg(width: u32, height: u32, seed: u32) -> Vec<u8> {
    drawn(width, height, seed, ImageFormat::Jpeg)
}

/// A PNG; another seed is another picture.
pub fn png(width: u32, height: u32, seed: u32) -> Vec<u8> {
    drawn(width, height, seed, ImageFormat::Png)
}

fn drawn(width: u32, height: u32, seed: u32, format: ImageFormat) -> Vec<u8> {
    let dot = |x: u32, y: u32| {
        let mixed = (x.wrapping_mul(2_654_435_761) ^ y.wrapping_mul(40_503) ^ seed.wrapping_mul(97)) >> 3;
        Rgb([mixed.to_le_bytes()[0], mixed.to_le_bytes()[1], seed.to_le_bytes()[0]])
    };
    let picture = DynamicImage::ImageRgb8(RgbImage::from_fn(width, height, dot));
    let mut out = Cursor::new(Vec::new());
    picture.write_to(&mut out, format).unwrap();
    out.into_inner()
}
