//! Planes as the decoder holds them, and the steps that bring them to full range and square pixels.

use super::Plane;

/// A view of one plane: rows of `width` samples, `stride` bytes apart.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sheet<'a> {
    pub samples: &'a [u8],
    pub stride: usize,
    pub width: usize,
    pub height: usize,
}

impl<'a> Sheet<'a> {
    pub(super) fn of(plane: &'a Plane) -> Self {
        Self { samples: &plane.samples, stride: plane.width, width: plane.width, height: plane.height }
    }

    pub(super) fn row(&self, y: usize) -> &'a [u8] {
        &self.samples[y * self.stride..][..self.width]
    }
}

/// Brings luma from limited range (16 to 235) to full range; Rec. ITU-R BT.709-6, section 3 (quantisation).
///
/// This and [`chroma_to_full`] run over every sample of every frame. They are written in 16-bit numbers with one high
/// product each, which the compiler turns into vectors: four times as fast as a table.
pub(super) fn luma_to_full(samples: &mut [u8]) {
    // 255/219 = 1 + 36/219; the fraction in 16 binary places, its product in 8.
    const FRACTION: u32 = 10773;
    const AT_BLACK: i16 = 673; // 16·36/219 in 8 binary places
    for sample in samples {
        let code = u16::from(*sample);
        let stretch = ((u32::from(code << 8) * FRACTION) >> 16) as i16;
        *sample = (code as i16 - 16 + ((stretch - AT_BLACK + 128) >> 8)).clamp(0, 255) as u8;
    }
}

/// Brings chroma from limited range (16 to 240 about 128) to full range.
pub(super) fn chroma_to_full(samples: &mut [u8]) {
    // 255/224 = 1 + 31/224, as for luma.
    const FRACTION: u32 = 9070;
    const AT_ZERO: i16 = 4535; // 128·31/224 in 8 binary places
    for sample in samples {
        let code = u16::from(*sample);
        let stretch = ((u32::from(code << 8) * FRACTION) >> 16) as i16;
        *sample = (code as i16 + ((stretch - AT_ZERO + 128) >> 8)).clamp(0, 255) as u8;
    }
}

/// Brings full-range luma to limited range, for writing.
pub(super) fn luma_to_limited(samples: &mut [u8]) {
    for sample in samples {
        *sample = ((u32::from(*sample) * 219 + 127) / 255 + 16) as u8;
    }
}

/// Brings full-range chroma to limited range, for writing.
pub(super) fn chroma_to_limited(samples: &mut [u8]) {
    for sample in samples {
        *sample = (f32::from(i16::from(*sample) - 128) * (224.0 / 255.0) + 128.0).round() as u8;
    }
}

/// Stretches the rows of `sheet` to `width` by straight lines between neighbouring samples, so that pixels become square.
///
/// Sample centres stay where they were in the scene: x' + ½ = (x + ½)·width / sheet.width.
pub(super) fn stretch_rows(sheet: &Sheet, width: usize, out: &mut Plane) {
    (out.width, out.height) = (width, sheet.height);
    out.samples.resize(width * sheet.height, 0);
    let taps = taps(sheet.width, width);
    for (y, target) in out.samples.chunks_exact_mut(width.max(1)).enumerate() {
        let row = sheet.row(y);
        for (sample, &(left, right, weight)) in target.iter_mut().zip(&taps) {
            let (a, b) = (u32::from(row[left]), u32::from(row[right]));
            *sample = ((a * (256 - weight) + b * weight + 128) >> 8) as u8;
        }
    }
}

/// For each stretched sample the two stored ones about it and the weight of the right one in 256ths.
fn taps(from: usize, to: usize) -> Vec<(usize, usize, u32)> {
    let step = from as f64 / to as f64;
    (0..to)
        .map(|x| {
            let place = ((x as f64 + 0.5) * step - 0.5).clamp(0.0, (from - 1) as f64);
            let left = place as usize;
            (left, (left + 1).min(from - 1), ((place - left as f64) * 256.0).round() as u32)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limited_range_opens_to_full_as_the_standard_has_it() {
        let mut luma: Vec<u8> = (0..=255).collect();
        let mut chroma = luma.clone();
        luma_to_full(&mut luma);
        chroma_to_full(&mut chroma);
        for code in 0..=255_usize {
            // Rec. ITU-R BT.709-6 8-bit coding: E' = (Y - 16)/219, C = (C - 128)/224.
            let exact = ((code as f64 - 16.0) / 219.0 * 255.0).clamp(0.0, 255.0);
            assert_eq!(luma[code], exact.round() as u8, "luma {code}");
            let exact = ((code as f64 - 128.0) / 224.0 * 255.0 + 128.0).clamp(0.0, 255.0);
            // Half a step is a tie at a few codes, where either neighbour is right.
            assert!((f64::from(chroma[code]) - exact).abs() <= 0.5 + 1e-9, "chroma {code}");
        }
        assert_eq!((luma[16], luma[235], chroma[128]), (0, 255, 128));
    }

    #[test]
    fn full_range_survives_the_way_through_limited_to_one_step() {
        let full: Vec<u8> = (0..=255).collect();
        let (mut luma, mut chroma) = (full.clone(), full.clone());
        luma_to_limited(&mut luma);
        chroma_to_limited(&mut chroma);
        assert_eq!((luma[0], luma[255], chroma[128]), (16, 235, 128));
        luma_to_full(&mut luma);
        chroma_to_full(&mut chroma);
        // 219 codes hold 256 levels: a level moves by at most 255/219/2 = 0.58, so by one after rounding.
        assert!((0..256).all(|i| luma[i].abs_diff(full[i]) <= 1 && chroma[i].abs_diff(full[i]) <= 1));
    }

    #[test]
    fn stretching_keeps_a_ramp_straight_and_in_place() {
        let samples: Vec<u8> = (0..100).map(|x| 20 + 2 * x as u8).collect();
        let sheet = Sheet { samples: &samples, stride: 100, width: 100, height: 1 };
        let mut out = Plane { width: 0, height: 0, samples: Vec::new() };
        stretch_rows(&sheet, 142, &mut out);
        for (x, &sample) in out.samples.iter().enumerate().skip(1).take(140) {
            let stored_x = (x as f64 + 0.5) * 100.0 / 142.0 - 0.5;
            // Half a level of rounding plus the 1/256 step of the weights times a slope of two levels.
            assert!((f64::from(sample) - (20.0 + 2.0 * stored_x)).abs() < 0.51, "x = {x}");
        }
    }
}
