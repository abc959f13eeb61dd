//! From linear light to 8-bit video: sensor noise, the BT.709 curve, luma and chroma at half size.

use rayon::prelude::*;

use crate::clip::{ColourMatrix, Picture, Plane, Transfer};

/// The noise of the sensor. Light is counted in electrons.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// Electrons at full white; fewer mean a dimmer scene at a higher gain, and more noise.
    pub full_well: f64,
    /// Read noise, electrons.
    pub read_noise: f64,
    /// Whether there is noise at all.
    pub noisy: bool,
    /// Standard deviation of the lens and pixel blur, px.
    pub blur_px: f64,
    /// Loss of light at the picture's corner, 0 to 1.
    pub vignette: f64,
}

impl Sensor {
    /// A phone in good light.
    pub const GOOD_LIGHT: Self = Self { full_well: 6000.0, read_noise: 3.0, noisy: true, blur_px: 0.8, vignette: 0.1 };

    /// As good light, without noise.
    pub const NOISELESS: Self = Self { noisy: false, vignette: 0.0, ..Self::GOOD_LIGHT };

    /// Standard deviation of one channel at light `level` (0 to 1), in linear light.
    pub fn noise_at(&self, level: f64) -> f64 {
        if self.noisy {
            (level * self.full_well + self.read_noise * self.read_noise).sqrt() / self.full_well
        } else {
            0.0
        }
    }
}

/// Opto-electronic transfer of ITU-R BT.709, light 0 to 1 in, signal 0 to 1 out.
pub fn bt709_oetf(light: f64) -> f64 {
    if light < 0.018 { 4.5 * light } else { 1.099 * light.powf(0.45) - 0.099 }
}

/// Steps of light in the table of the curve: in the dark, where it is steepest, a step is 0.07 of a code.
const LEVEL_BITS: u32 = 14;
const LEVELS: usize = 1 << LEVEL_BITS;
const DRAWS: usize = 1 << 16;
/// Luma coefficients of BT.709.
const KR: f32 = 0.2126;
const KB: f32 = 0.0722;
const KG: f32 = 1.0 - KR - KB;

/// A rectangle of the picture: x from, x past, y from, y past; the "from" ends even.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    pub x: [usize; 2],
    pub y: [usize; 2],
}

/// Linear light of a frame as planes, row by row, and what to multiply and add: see [`Darkroom::develop`].
pub struct Exposure<'a> {
    pub light: &'a [Vec<f32>; 3],
    pub patches: &'a [Patch],
    /// Factor of each line of the picture.
    pub gain: Gain,
    pub frame_seed: u64,
}

/// A change to the still light in a rectangle.
#[derive(Debug, Clone)]
pub struct Patch {
    pub x: usize,
    pub y: usize,
    pub width: usize,
    pub height: usize,
    pub light: [Vec<f32>; 3],
}

/// Brightness of the lamps along the picture's lines.
#[derive(Debug, Clone, PartialEq)]
pub enum Gain {
    Even(f32),
    Rows(Vec<f32>),
    Columns(Vec<f32>),
}

/// Turns light into pictures. Tables are made once.
pub struct Darkroom {
    codes: Vec<f32>,
    draws: Vec<f32>,
    shot: f32,
    read: f32,
    noisy: bool,
}

impl Darkroom {
    pub fn new(sensor: &Sensor) -> Self {
        let middle = |i: usize| (i as f64 + 0.5) / LEVELS as f64;
        let codes = (0..LEVELS).map(|i| (255.0 * bt709_oetf(middle(i))) as f32).collect();
        let variance_of_read = (sensor.read_noise / sensor.full_well).powi(2);
        Self {
            codes,
            draws: if sensor.noisy { normal_quantiles() } else { Vec::new() },
            shot: (1.0 / sensor.full_well) as f32,
            read: variance_of_read as f32,
            noisy: sensor.noisy,
        }
    }

    pub const fn is_noisy(&self) -> bool {
        self.noisy
    }

    /// Writes the part `window` of `picture`. Each row draws its noise from a seed of its own, so that the result does not
    /// depend on the number of threads.
    pub fn develop(&self, exposure: &Exposure, window: Window, picture: &mut Picture) {
        const BAND: usize = 16;
        let (width, chroma_width) = (picture.luma.width, picture.cb.width);
        let luma = picture.luma.samples.par_chunks_mut(width * BAND);
        let cb = picture.cb.samples.par_chunks_mut(chroma_width * BAND / 2);
        let cr = picture.cr.samples.par_chunks_mut(chroma_width * BAND / 2);
        luma.zip(cb).zip(cr).enumerate().for_each(|(band, ((luma, cb), cr))| {
            let rows = [(band * BAND).max(window.y[0]), (band * BAND + luma.len() / width).min(window.y[1])];
            if rows[0] >= rows[1] {
                return;
            }
            let mut tray = Tray::new(window.x[1] - window.x[0]);
            for top in (rows[0]..rows[1]).step_by(2) {
                let pair = (top + 2).min(rows[1]);
                tray.clear_chroma();
                for y in top..pair {
                    self.expose_row(exposure, window.x, y, width, &mut tray);
                    let start = (y - band * BAND) * width;
                    tray.take_row(&mut luma[start + window.x[0]..start + window.x[1]]);
                }
                let start = (top / 2 - band * BAND / 2) * chroma_width + window.x[0] / 2;
                tray.take_chroma(pair - top, &mut cb[start..], &mut cr[start..]);
            }
        });
    }

    /// Fills the tray with the codes (0 to 255, not rounded) of red, green and blue of one row.
    fn expose_row(&self, e: &Exposure, x: [usize; 2], y: usize, width: usize, tray: &mut Tray) {
        for c in 0..3 {
            tray.channel[c].copy_from_slice(&e.light[c][y * width + x[0]..y * width + x[1]]);
        }
        for patch in e.patches.iter().filter(|p| (p.y..p.y + p.height).contains(&y)) {
            patch.add_row(y, x, &mut tray.channel);
        }
        for channel in &mut tray.channel {
            match &e.gain {
                Gain::Even(gain) if *gain == 1.0 => {}
                Gain::Even(gain) => channel.iter_mut().for_each(|v| *v *= gain),
                Gain::Rows(gains) => channel.iter_mut().for_each(|v| *v *= gains[y]),
                Gain::Columns(gains) => channel.iter_mut().zip(&gains[x[0]..]).for_each(|(v, g)| *v *= g),
            }
        }
        if self.noisy {
            self.add_noise(tray, Stream::new(e.frame_seed, y as u64));
        }
        let codes: &[f32; LEVELS] = self.codes.as_slice().try_into().expect("made with this length");
        for v in tray.channel.iter_mut().flat_map(|c| c.iter_mut()) {
            *v = codes[level_of(*v)];
        }
    }

    /// Three passes, of which the compiler can run the one with the square roots on several pixels at once.
    fn add_noise(&self, tray: &mut Tray, mut stream: Stream) {
        let draws: &[f32; DRAWS] = self.draws.as_slice().try_into().expect("made with this length");
        tray.bits.iter_mut().for_each(|b| *b = stream.next());
        for (c, channel) in tray.channel.iter_mut().enumerate() {
            let (shot, read) = (self.shot, self.read);
            tray.sigma.iter_mut().zip(channel.iter()).for_each(|(s, v)| *s = (v.max(0.0) * shot + read).sqrt());
            for ((v, sigma), bits) in channel.iter_mut().zip(&tray.sigma).zip(&tray.bits) {
                *v += sigma * draws[(bits >> (16 * c)) as u16 as usize];
            }
        }
    }
}

/// Which of the [`LEVELS`] a light falls into: the leading bits of the number's own fraction, once it is brought to 1…2.
fn level_of(light: f32) -> usize {
    const JUST_UNDER_ONE: f32 = 1.0 - f32::EPSILON;
    ((light.clamp(0.0, JUST_UNDER_ONE) + 1.0).to_bits() >> (23 - LEVEL_BITS)) as usize & (LEVELS - 1)
}

/// An unexposed picture.
pub fn blank_picture(width: usize, height: usize) -> Picture {
    let plane = |width: usize, height: usize| Plane { width, height, samples: vec![128; width * height] };
    let half = |n: usize| n.div_ceil(2);
    Picture {
        luma: plane(width, height),
        cb: plane(half(width), half(height)),
        cr: plane(half(width), half(height)),
        matrix: ColourMatrix::Bt709,
        transfer: Transfer::Bt709,
    }
}

/// Rows in the making.
struct Tray {
    channel: [Vec<f32>; 3],
    sigma: Vec<f32>,
    bits: Vec<u64>,
    blue_less_luma: Vec<f32>,
    red_less_luma: Vec<f32>,
}

impl Tray {
    fn new(width: usize) -> Self {
        let row = || vec![0.0; width];
        Self {
            channel: [row(), row(), row()],
            sigma: row(),
            bits: vec![0; width],
            blue_less_luma: vec![0.0; width.div_ceil(2)],
            red_less_luma: vec![0.0; width.div_ceil(2)],
        }
    }

    fn clear_chroma(&mut self) {
        self.blue_less_luma.fill(0.0);
        self.red_less_luma.fill(0.0);
    }

    fn take_row(&mut self, luma: &mut [u8]) {
        let [red, green, blue] = &self.channel;
        for (i, out) in luma.iter_mut().enumerate() {
            let y = KR * red[i] + KG * green[i] + KB * blue[i];
            *out = (y + 0.5) as u8;
            self.blue_less_luma[i / 2] += blue[i] - y;
            self.red_less_luma[i / 2] += red[i] - y;
        }
    }

    fn take_chroma(&self, rows: usize, cb: &mut [u8], cr: &mut [u8]) {
        let width = self.channel[0].len();
        for i in 0..self.blue_less_luma.len() {
            let places = (rows * (width - 2 * i).min(2)) as f32;
            // Excursions of BT.709: B′−Y′ and R′−Y′ run to 1 − KB and 1 − KR, and are brought to a half.
            cb[i] = (self.blue_less_luma[i] / places / (2.0 * (1.0 - KB)) + 128.5) as u8;
            cr[i] = (self.red_less_luma[i] / places / (2.0 * (1.0 - KR)) + 128.5) as u8;
        }
    }
}

impl Patch {
    fn add_row(&self, y: usize, x: [usize; 2], row: &mut [Vec<f32>; 3]) {
        let (from, past) = (self.x.max(x[0]), (self.x + self.width).min(x[1]));
        if from >= past {
            return;
        }
        let start = (y - self.y) * self.width;
        for (channel, light) in row.iter_mut().zip(&self.light) {
            let added = &light[start + from - self.x..start + past - self.x];
            channel[from - x[0]..past - x[0]].iter_mut().zip(added).for_each(|(v, d)| *v += d);
        }
    }
}

/// Mid-points of 65536 equally likely slices of the normal distribution, scaled to unit variance: a 16-bit number picks a
/// draw. Luma sums three of them, which fills the tails beyond the table's 4.3 σ.
pub fn normal_quantiles() -> Vec<f32> {
    use statrs::distribution::{ContinuousCDF, Normal};
    let normal = Normal::standard();
    let draws: Vec<f64> = (0..DRAWS).map(|i| normal.inverse_cdf((i as f64 + 0.5) / DRAWS as f64)).collect();
    let scale = (draws.iter().map(|d| d * d).sum::<f64>() / DRAWS as f64).sqrt();
    draws.into_iter().map(|d| (d / scale) as f32).collect()
}

/// The 64-bit mixing generator SplitMix64 (Steele, Lea, Flood, OOPSLA 2014): fast, and seeded anew for each row.
pub struct Stream(u64);

impl Stream {
    pub fn new(frame_seed: u64, row: u64) -> Self {
        let mut start = Self(frame_seed ^ row.wrapping_mul(0xD6E8_FEB8_6659_FD93));
        Self(start.next())
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
}
