//! Samples of more than 8 bits and high dynamic range brought to the 8-bit full-range picture that everything else takes.
//!
//! HLG and PQ are undone to linear light, set so that reference white (75 % HLG, 203 cd/m² PQ: Report ITU-R BT.2408) is 1, and
//! coded again with the BT.709 curve. Below half of reference white light stays in proportion; above, a soft shoulder
//! makes room for the highlights. The curve is applied to luma as if the place were grey, and chroma is scaled by as much
//! as luma changed, which keeps hue and saturation of the coded signal.

use super::Plane;
use super::planes::Sheet;

/// How bright the brightest the file can hold is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DynamicRange {
    Sdr,
    Hlg,
    Pq,
}

impl DynamicRange {
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Sdr => "SDR",
            Self::Hlg => "HLG",
            Self::Pq => "PQ",
        }
    }
}

/// Tables from code values of a file to full-range 8-bit samples.
#[derive(Debug)]
pub(super) struct ToneMap {
    depth: u32,
    luma: Vec<u8>,
    chroma: Vec<u8>,
    /// Gain of chroma per luma code, in 2⁻¹⁶ of an 8-bit step per code step; empty where `chroma` serves.
    chroma_gain: Vec<i32>,
}

impl ToneMap {
    /// Tables for samples of `depth` bits (8 to 16).
    pub(super) fn new(depth: u32, full_range: bool, range: DynamicRange) -> Self {
        let codes = 0..1_u32 << depth;
        let luma_signal = |code: u32| luma_signal(code, depth, full_range);
        let chroma_step = if full_range { f64::from((1_u32 << depth) - 1) } else { 224.0 * scale(depth) };
        let middle = f64::from(1_u32 << (depth - 1));
        let chroma = codes
            .clone()
            .map(|code| (128.0 + (f64::from(code) - middle) * 255.0 / chroma_step).round() as u8)
            .collect();
        let luma = codes.clone().map(|code| (255.0 * to_bt709(luma_signal(code), range)).round() as u8).collect();
        let chroma_gain = match range {
            DynamicRange::Sdr => Vec::new(),
            _ => codes
                .map(|code| (gain(luma_signal(code), range) * 255.0 / chroma_step * 65536.0).round() as i32)
                .collect(),
        };
        Self { depth, luma, chroma, chroma_gain }
    }

    /// Luma of `sheet`, whose rows hold bytes (8 bits) or little-endian pairs of bytes, into `out`.
    pub(super) fn luma(&self, sheet: &Sheet, out: &mut Plane) {
        self.map(&self.luma, sheet, out);
    }

    /// Chroma of `sheet`; `luma` is the luma plane of the same picture, which sets the gain under HLG and PQ.
    pub(super) fn chroma(&self, sheet: &Sheet, luma: &Sheet, out: &mut Plane) {
        if self.chroma_gain.is_empty() {
            return self.map(&self.chroma, sheet, out);
        }
        resize(out, sheet.width / self.bytes(), sheet.height);
        let middle = 1_i32 << (self.depth - 1);
        for (y, target) in out.samples.chunks_exact_mut(out.width.max(1)).enumerate() {
            let (row, bright) = (sheet.row(y), luma.row(2 * y));
            for (x, sample) in target.iter_mut().enumerate() {
                let gain = self.chroma_gain[self.code(bright, 2 * x)];
                let about_zero = (self.code(row, x) as i32 - middle) * gain;
                *sample = (128 + ((about_zero + (1 << 15)) >> 16)).clamp(0, 255) as u8;
            }
        }
    }

    fn map(&self, table: &[u8], sheet: &Sheet, out: &mut Plane) {
        resize(out, sheet.width / self.bytes(), sheet.height);
        let mask = table.len() - 1;
        for (y, target) in out.samples.chunks_exact_mut(out.width.max(1)).enumerate() {
            let row = sheet.row(y);
            if self.depth == 8 {
                for (sample, &code) in target.iter_mut().zip(row) {
                    *sample = table[usize::from(code)];
                }
            } else {
                for (sample, code) in target.iter_mut().zip(row.chunks_exact(2)) {
                    *sample = table[usize::from(u16::from_le_bytes([code[0], code[1]])) & mask];
                }
            }
        }
    }

    fn code(&self, row: &[u8], x: usize) -> usize {
        if self.depth == 8 {
            usize::from(row[x])
        } else {
            usize::from(u16::from_le_bytes([row[2 * x], row[2 * x + 1]])) & (self.luma.len() - 1)
        }
    }

    fn bytes(&self) -> usize {
        if self.depth == 8 { 1 } else { 2 }
    }
}

fn resize(plane: &mut Plane, width: usize, height: usize) {
    (plane.width, plane.height) = (width, height);
    plane.samples.resize(width * height, 0);
}

fn scale(depth: u32) -> f64 {
    f64::from(1_u32 << (depth - 8))
}

/// Signal E' from 0 to 1 of a luma code; Rec. ITU-R BT.709-6 and BT.2100-2, digital coding.
fn luma_signal(code: u32, depth: u32, full_range: bool) -> f64 {
    let signal = if full_range {
        f64::from(code) / f64::from((1_u32 << depth) - 1)
    } else {
        (f64::from(code) / scale(depth) - 16.0) / 219.0
    };
    signal.clamp(0.0, 1.0)
}

/// BT.709 signal that shows what `signal` shows in its own range.
fn to_bt709(signal: f64, range: DynamicRange) -> f64 {
    match range {
        DynamicRange::Sdr => signal,
        DynamicRange::Hlg => {
            let white = hlg_to_linear(0.75);
            bt709_from_linear(shoulder(hlg_to_linear(signal) / white, 1.0 / white))
        }
        DynamicRange::Pq => {
            let light = pq_to_luminance(signal) / PQ_REFERENCE_WHITE_CD_M2;
            bt709_from_linear(shoulder(light, PQ_BRIGHTEST_CD_M2 / PQ_REFERENCE_WHITE_CD_M2))
        }
    }
}

/// By how much the signal grows on its way to BT.709.
fn gain(signal: f64, range: DynamicRange) -> f64 {
    // Near black the quotient runs into 0/0; the value a little above stands for it.
    let signal = signal.max(0.02);
    to_bt709(signal, range) / signal
}

const PQ_REFERENCE_WHITE_CD_M2: f64 = 203.0;
/// Common mastering peak; what is brighter is shown as white. Common practice, no source.
const PQ_BRIGHTEST_CD_M2: f64 = 1000.0;

/// Keeps light up to half of reference white and bends the rest, up to `brightest`, into what is left below 1.
fn shoulder(light: f64, brightest: f64) -> f64 {
    const KNEE: f64 = 0.5;
    if light <= KNEE {
        return light;
    }
    let t = ((light - KNEE) / (brightest - KNEE)).min(1.0);
    // t·s/(1 + (s - 1)·t) starts with slope s, which continues the straight part, and ends at 1.
    let s = (brightest - KNEE) / (1.0 - KNEE);
    KNEE + (1.0 - KNEE) * t * s / (1.0 + (s - 1.0) * t)
}

/// Scene light from an HLG signal, 1 at its peak; Rec. ITU-R BT.2100-2, table 5.
fn hlg_to_linear(signal: f64) -> f64 {
    const A: f64 = 0.178_832_77;
    const B: f64 = 1.0 - 4.0 * A;
    let c = 0.5 - A * (4.0 * A).ln();
    if signal <= 0.5 { signal * signal / 3.0 } else { (((signal - c) / A).exp() + B) / 12.0 }
}

/// Luminance in cd/m² from a PQ signal; Rec. ITU-R BT.2100-2, table 4.
fn pq_to_luminance(signal: f64) -> f64 {
    const M1: f64 = 2610.0 / 16384.0;
    const M2: f64 = 2523.0 / 4096.0 * 128.0;
    const C1: f64 = 3424.0 / 4096.0;
    const C2: f64 = 2413.0 / 4096.0 * 32.0;
    const C3: f64 = 2392.0 / 4096.0 * 32.0;
    let root = signal.powf(1.0 / M2);
    10_000.0 * ((root - C1).max(0.0) / (C2 - C3 * root)).powf(1.0 / M1)
}

/// BT.709 signal of linear light from 0 to 1; Rec. ITU-R BT.709-6, item 1.2.
fn bt709_from_linear(light: f64) -> f64 {
    if light < 0.018 { 4.5 * light } else { 1.099 * light.powf(0.45) - 0.099 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reference() -> toml::Table {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/color_transfer.toml");
        std::fs::read_to_string(path).unwrap().parse().unwrap()
    }

    fn numbers(table: &toml::Table, group: &str, key: &str) -> Vec<f64> {
        table[group][key].as_array().unwrap().iter().map(|v| v.as_float().unwrap()).collect()
    }

    #[test]
    fn transfer_functions_give_the_values_of_the_standards() {
        let table = reference();
        let pairs = |group, from, to| numbers(&table, group, from).into_iter().zip(numbers(&table, group, to));
        // 1e-6: the published constants carry eight digits.
        for (signal, light) in pairs("hlg", "signal", "signal_scene_linear") {
            assert!((hlg_to_linear(signal) - light).abs() < 1e-6, "HLG {signal}");
        }
        for (light, signal) in pairs("hlg", "scene_linear", "encoded") {
            assert!((hlg_to_linear(signal) - light).abs() < 1e-6, "HLG {signal}");
        }
        for (luminance, signal) in pairs("pq", "luminance_cd_m2", "encoded") {
            assert!((pq_to_luminance(signal) - luminance).abs() < 1e-6 * (1.0 + luminance), "PQ {signal}");
        }
        for (light, signal) in pairs("bt709", "linear", "encoded") {
            assert!((bt709_from_linear(light) - signal).abs() < 1e-6, "BT.709 {light}");
        }
    }

    #[test]
    fn ten_bit_tables_meet_black_white_and_grey_of_the_standard() {
        let table = reference();
        let bits10 = &table["limited_range"]["bits10"];
        let code = |key: &str| bits10[key].as_integer().unwrap() as usize;
        let map = ToneMap::new(10, false, DynamicRange::Sdr);
        assert_eq!((map.luma[code("black")], map.luma[code("white")]), (0, 255));
        assert_eq!(map.chroma[code("chroma_zero")], 128);
        let full = ToneMap::new(10, true, DynamicRange::Sdr);
        assert_eq!((full.luma[0], full.luma[1023], full.chroma[512]), (0, 255, 128));
    }

    #[test]
    fn high_dynamic_range_rises_without_a_break_and_leaves_room_above_reference_white() {
        for (range, white_signal) in [(DynamicRange::Hlg, 0.75), (DynamicRange::Pq, 0.580_688_881_041_608)] {
            let map = ToneMap::new(10, false, range);
            assert!(map.luma.windows(2).all(|pair| pair[0] <= pair[1] && pair[1] - pair[0] <= 2), "{range:?}");
            let white = map.luma[f64::round(64.0 + 876.0 * white_signal) as usize];
            assert!((200..=240).contains(&white), "{range:?}: {white}");
            assert!(map.luma[940] > white, "{range:?}");
        }
    }

    #[test]
    fn light_below_half_of_reference_white_stays_in_proportion() {
        // A quarter of HLG reference white has the BT.709 signal of 0.25: 0.4899 by the published table.
        let quarter = hlg_to_linear(0.75) / 4.0;
        let signal = (3.0 * quarter).sqrt();
        assert!((to_bt709(signal, DynamicRange::Hlg) - 0.489_939_517_663_693).abs() < 1e-6);
    }

    #[test]
    fn grey_stays_grey_and_hues_stay_apart() {
        let map = ToneMap::new(10, false, DynamicRange::Hlg);
        let bytes = |codes: &[u16]| codes.iter().flat_map(|code| code.to_le_bytes()).collect::<Vec<_>>();
        let luma = bytes(&[500, 500, 700, 700]);
        let chroma = bytes(&[512, 700]);
        let mut out = Plane { width: 0, height: 0, samples: Vec::new() };
        let view = |samples| Sheet { samples, stride: samples.len(), width: samples.len(), height: 1 };
        map.chroma(&view(&chroma), &view(&luma), &mut out);
        assert_eq!(out.samples[0], 128);
        // 188 ten-bit steps above grey are 53.5 full-range steps before the curve, which at this luma changes them by
        // (BT.709 signal)/(HLG signal) = 0.873/0.726 by the published curves with the shoulder between.
        assert!((180..=200).contains(&out.samples[1]), "{}", out.samples[1]);
    }
}
