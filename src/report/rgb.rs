//! Pictures as red, green and blue, for showing them.

use image::{Rgb, RgbImage};

use crate::clip::{ColourMatrix, Picture};

/// Luma coefficients (red, blue) of ITU-R BT.601-7, BT.709-6 and BT.2020-2.
fn luma_coefficients(matrix: ColourMatrix) -> (f64, f64) {
    match matrix {
        ColourMatrix::Bt601 => (0.299, 0.114),
        ColourMatrix::Bt709 => (0.2126, 0.0722),
        ColourMatrix::Bt2020 => (0.2627, 0.0593),
    }
}

/// 16.16 fixed point, so that every machine rounds alike.
struct Conversion {
    red_from_cr: i32,
    green_from_cb: i32,
    green_from_cr: i32,
    blue_from_cb: i32,
}

impl Conversion {
    fn new(matrix: ColourMatrix) -> Self {
        let (kr, kb) = luma_coefficients(matrix);
        let kg = 1.0 - kr - kb;
        let fixed = |x: f64| (x * 65536.0).round() as i32;
        Self {
            red_from_cr: fixed(2.0 * (1.0 - kr)),
            green_from_cb: fixed(-2.0 * kb * (1.0 - kb) / kg),
            green_from_cr: fixed(-2.0 * kr * (1.0 - kr) / kg),
            blue_from_cb: fixed(2.0 * (1.0 - kb)),
        }
    }

    fn rgb(&self, luma: u8, cb: u8, cr: u8) -> Rgb<u8> {
        let (y, cb, cr) = (i32::from(luma) << 16, i32::from(cb) - 128, i32::from(cr) - 128);
        let clamp = |v: i32| ((v + 32768) >> 16).clamp(0, 255) as u8;
        Rgb([
            clamp(y + self.red_from_cr * cr),
            clamp(y + self.green_from_cb * cb + self.green_from_cr * cr),
            clamp(y + self.blue_from_cb * cb),
        ])
    }
}

/// `picture` as sRGB-like 8-bit pixels of the same size, by its own matrix.
///
/// The colours stay on the picture's transfer curve; BT.709 and sRGB are close enough that nobody tells them apart on a
/// lab sheet.
pub fn from_picture(picture: &Picture) -> RgbImage {
    let conversion = Conversion::new(picture.matrix);
    let (width, chroma_width) = (picture.luma.width, picture.cb.width);
    RgbImage::from_fn(width as u32, picture.luma.height as u32, |x, y| {
        let (x, y) = (x as usize, y as usize);
        let chroma = (y / 2) * chroma_width + x / 2;
        conversion.rgb(picture.luma.samples[y * width + x], picture.cb.samples[chroma], picture.cr.samples[chroma])
    })
}

/// `image` as a picture of the given matrix, for writing it into a clip; chroma is the mean of each 2×2 block.
pub fn to_picture(image: &RgbImage, matrix: ColourMatrix, transfer: crate::clip::Transfer) -> Picture {
    let (width, height) = (image.width() as usize, image.height() as usize);
    let (kr, kb) = luma_coefficients(matrix);
    let luma_of = |p: [f64; 3]| kr * p[0] + (1.0 - kr - kb) * p[1] + kb * p[2];
    let luma = image.pixels().map(|p| luma_of(p.0.map(f64::from)).round() as u8).collect();
    let (cw, ch) = (width.div_ceil(2), height.div_ceil(2));
    let mut cb = Vec::with_capacity(cw * ch);
    let mut cr = Vec::with_capacity(cw * ch);
    for cy in 0..ch {
        for cx in 0..cw {
            let mean = block_mean(image, cx, cy);
            let y = luma_of(mean);
            let sample = |v: f64| (v + 128.0).round().clamp(0.0, 255.0) as u8;
            cb.push(sample((mean[2] - y) / (2.0 * (1.0 - kb))));
            cr.push(sample((mean[0] - y) / (2.0 * (1.0 - kr))));
        }
    }
    let plane = |width, height, samples| crate::clip::Plane { width, height, samples };
    Picture { luma: plane(width, height, luma), cb: plane(cw, ch, cb), cr: plane(cw, ch, cr), matrix, transfer }
}

fn block_mean(image: &RgbImage, cx: usize, cy: usize) -> [f64; 3] {
    let mut sum = [0.0; 3];
    let mut count = 0.0;
    for y in 2 * cy..(2 * cy + 2).min(image.height() as usize) {
        for x in 2 * cx..(2 * cx + 2).min(image.width() as usize) {
            let pixel = image.get_pixel(x as u32, y as u32).0;
            (0..3).for_each(|i| sum[i] += f64::from(pixel[i]));
            count += 1.0;
        }
    }
    sum.map(|s| s / count)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::Transfer;

    /// BT.709 red (255, 0, 0) has luma 0.2126·255 = 54.2 and Cr = 128 + 127.5; BT.601 luma is 0.299·255 = 76.2.
    #[test]
    fn primaries_have_the_luma_of_their_standard() {
        let red = RgbImage::from_pixel(2, 2, Rgb([255, 0, 0]));
        let cases = [(ColourMatrix::Bt601, 76), (ColourMatrix::Bt709, 54), (ColourMatrix::Bt2020, 67)];
        for (matrix, luma) in cases {
            let picture = to_picture(&red, matrix, Transfer::Bt709);
            assert_eq!(picture.luma.samples, [luma; 4], "{matrix:?}");
            assert_eq!(picture.cr.samples, [255]);
        }
    }

    #[test]
    fn there_and_back_stays_within_the_rounding_of_eight_bits() {
        for matrix in [ColourMatrix::Bt601, ColourMatrix::Bt709, ColourMatrix::Bt2020] {
            for rgb in [[240, 120, 20], [0, 0, 0], [255, 255, 255], [30, 60, 200], [90, 200, 90]] {
                let image = RgbImage::from_pixel(3, 3, Rgb(rgb));
                let back = from_picture(&to_picture(&image, matrix, Transfer::Bt709));
                for (got, want) in back.get_pixel(2, 2).0.into_iter().zip(rgb) {
                    // Half a step each of luma and of chroma times at most 1.88.
                    assert!(got.abs_diff(want) <= 2, "{matrix:?} {rgb:?} gave {got}");
                }
            }
        }
    }
}
