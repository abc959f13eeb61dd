//! What the surfaces of a scene look like: colours of linear light as a function of the place on the surface.

use std::sync::Arc;

/// Reflectance in linear light: red, green, blue, 0 to 1.
pub type Rgb = [f32; 3];

/// How a flat piece of the set is painted. Places are metres along its own axes: u to the right, v upwards.
#[derive(Debug, Clone)]
pub enum Paint {
    Plain(Rgb),
    /// From `bottom` at v = 0 to `top` at v = `height_m`.
    Gradient {
        bottom: Rgb,
        top: Rgb,
        height_m: f32,
    },
    /// A papered or plastered wall: soft bumps and faint stains.
    Plaster(Rgb),
    Bricks {
        brick: Rgb,
        mortar: Rgb,
    },
    /// Rows of books and boxes.
    Shelves {
        seed: u32,
    },
    /// Sheets of coloured paper with lines, pinned to a wall.
    Posters {
        wall: Rgb,
        seed: u32,
    },
    /// Fine grains.
    Sand(Rgb),
    Grass,
    /// Wall of a sports hall: painted blocks, a coloured band, wall bars.
    Hall,
    /// Floor boards running along u.
    Boards(Rgb),
    /// A beam with its grain along u.
    Wood(Rgb),
    /// Shaded as an upright tube `width_m` across about u = 0.
    Tube {
        colour: Rgb,
        width_m: f32,
    },
    /// Bands of a measuring batten from u = 0 to `length_m`, `bands` of them, dark and light in turn.
    Batten {
        length_m: f32,
        bands: u32,
    },
    /// Rings about u = v = 0, the mark at a scale's end.
    Target {
        radius_m: f32,
        outer: Rgb,
        inner: Rgb,
    },
    /// Another paint with soft dark blots, as things leave on the ground they stand on: centre u, v, radii along u and v (m),
    /// depth 0 to 1.
    Shadowed {
        base: Box<Self>,
        blots: Vec<[f32; 5]>,
    },
    /// A picture stretched over `width_m` by `height_m`, its lower left corner at u = v = 0.
    Image {
        picture: Arc<Raster>,
        width_m: f32,
        height_m: f32,
    },
}

/// A picture in linear light, row 0 at the top.
#[derive(Debug, Clone)]
pub struct Raster {
    pub width: usize,
    pub height: usize,
    pub pixels: Vec<Rgb>,
}

impl Raster {
    /// From 8-bit grey or RGB samples in the sRGB curve (IEC 61966-2-1); `channels` is 1 or 3. `None` when the sizes disagree.
    pub fn from_srgb(width: usize, height: usize, channels: usize, samples: &[u8]) -> Option<Self> {
        if width == 0 || height == 0 || !matches!(channels, 1 | 3) || samples.len() != width * height * channels {
            return None;
        }
        let pixels = samples
            .chunks_exact(channels)
            .map(|s| if channels == 1 { [srgb_to_linear(s[0]); 3] } else { [s[0], s[1], s[2]].map(srgb_to_linear) })
            .collect();
        Some(Self { width, height, pixels })
    }

    /// Half the size, each pixel the mean of four, as long as the picture stays at least `columns` wide: so that a fine
    /// print seen from afar is averaged and not picked at.
    pub fn reduced_to(self, columns: f64) -> Self {
        if (self.width / 2) as f64 <= columns || self.width < 4 || self.height < 4 {
            return self;
        }
        let (width, height) = (self.width / 2, self.height / 2);
        let mean = |i: usize| {
            let (x, y) = (2 * (i % width), 2 * (i / width));
            let at = |dx, dy| self.pixels[(y + dy) * self.width + x + dx];
            let four = [at(0, 0), at(1, 0), at(0, 1), at(1, 1)];
            [0, 1, 2].map(|c| four.iter().map(|p| p[c]).sum::<f32>() / 4.0)
        };
        Self { width, height, pixels: (0..width * height).map(mean).collect() }.reduced_to(columns)
    }

    /// Bilinear, `x` and `y` from 0 to 1 over the whole picture.
    fn sample(&self, x: f32, y: f32) -> Rgb {
        let fx = (x * self.width as f32 - 0.5).clamp(0.0, self.width as f32 - 1.0);
        let fy = (y * self.height as f32 - 0.5).clamp(0.0, self.height as f32 - 1.0);
        let (x0, y0) = (fx as usize, fy as usize);
        let (x1, y1) = ((x0 + 1).min(self.width - 1), (y0 + 1).min(self.height - 1));
        let at = |x: usize, y: usize| self.pixels[y * self.width + x];
        let (tx, ty) = (fx - x0 as f32, fy - y0 as f32);
        mix(mix(at(x0, y0), at(x1, y0), tx), mix(at(x0, y1), at(x1, y1), tx), ty)
    }
}

fn srgb_to_linear(code: u8) -> f32 {
    let v = f32::from(code) / 255.0;
    if v <= 0.040_45 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
}

impl Paint {
    /// Colour at (`u`, `v`) m.
    pub fn at(&self, u: f32, v: f32) -> Rgb {
        match self {
            Self::Plain(colour) => *colour,
            Self::Gradient { bottom, top, height_m } => mix(*bottom, *top, (v / height_m).clamp(0.0, 1.0)),
            Self::Plaster(colour) => shade(
                *colour,
                0.93 + 0.06 * noise(61, u * 130.0, v * 130.0)
                    + 0.05 * noise(62, u * 30.0, v * 30.0)
                    + 0.06 * noise(63, u * 2.5, v * 2.5),
            ),
            Self::Bricks { brick, mortar } => bricks(*brick, *mortar, u, v),
            Self::Shelves { seed } => shelves(*seed, u, v),
            Self::Posters { wall, seed } => posters(*wall, *seed, u, v),
            Self::Sand(colour) => {
                shade(*colour, 0.80 + 0.28 * noise(7, u * 260.0, v * 260.0) + 0.12 * noise(8, u * 9.0, v * 9.0))
            }
            Self::Grass => grass(u, v),
            Self::Hall => hall(u, v),
            Self::Boards(colour) => boards(*colour, u, v),
            Self::Wood(colour) => wood(*colour, u, v),
            Self::Tube { colour, width_m } => {
                let across = (2.0 * u / width_m).clamp(-1.0, 1.0);
                shade(*colour, 0.35 + 0.65 * (1.0 - (across + 0.35) * (across + 0.35) / 1.9).max(0.0))
            }
            Self::Batten { length_m, bands } => {
                let band = (u / length_m * *bands as f32).floor() as i32;
                if band.rem_euclid(2) == 0 { [0.75, 0.74, 0.70] } else { [0.03, 0.03, 0.035] }
            }
            Self::Target { radius_m, outer, inner } => {
                if u.hypot(v) > 0.4 * radius_m {
                    *outer
                } else {
                    *inner
                }
            }
            Self::Shadowed { base, blots } => shade(base.at(u, v), blots.iter().map(|b| blot(b, u, v)).product()),
            Self::Image { picture, width_m, height_m } => picture.sample(u / width_m, 1.0 - v / height_m),
        }
    }
}

fn blot([u0, v0, ru, rv, depth]: &[f32; 5], u: f32, v: f32) -> f32 {
    let inward = (1.0 - ((u - u0) / ru).hypot((v - v0) / rv)).clamp(0.0, 1.0);
    1.0 - depth * inward * inward * (3.0 - 2.0 * inward)
}

fn bricks(brick: Rgb, mortar: Rgb, u: f32, v: f32) -> Rgb {
    let (length, height, joint) = (0.225, 0.075, 0.010);
    let row = (v / height).floor();
    let along = u + if row as i32 % 2 == 0 { 0.0 } else { length / 2.0 };
    let column = (along / length).floor();
    let (x, y) = (along - column * length, v - row * height);
    if x < joint || y < joint {
        return shade(mortar, 0.9 + 0.2 * noise(3, u * 90.0, v * 90.0));
    }
    let tone = 0.75 + 0.5 * hash(11, column as i32, row as i32);
    shade(brick, tone * (0.88 + 0.24 * noise(4, u * 60.0, v * 60.0)))
}

fn shelves(seed: u32, u: f32, v: f32) -> Rgb {
    let height = 0.36;
    let shelf = (v / height).floor();
    let y = v - shelf * height;
    if y < 0.025 {
        return wood([0.30, 0.20, 0.11], u, v);
    }
    // Books stand in slots of 24 mm; a book takes one to three of them.
    let slot = (u / 0.024).floor() as i32;
    let book = slot - (hash(seed, slot.div_euclid(3), shelf as i32) * 3.0) as i32;
    let book = book.div_euclid(3);
    let (tall, hue) = (0.17 + 0.15 * hash(seed + 1, book, shelf as i32), hash(seed + 2, book, shelf as i32));
    if hash(seed + 3, book, shelf as i32) > 0.9 || y > 0.025 + tall {
        return [0.035, 0.03, 0.028];
    }
    let colour = palette(hue);
    let label = (0.09..0.13).contains(&y) && hash(seed + 4, book, shelf as i32) > 0.4;
    if label { [0.65, 0.62, 0.55] } else { colour }
}

fn posters(wall: Rgb, seed: u32, u: f32, v: f32) -> Rgb {
    let (cell_x, cell_y) = (0.62, 0.78);
    let (i, j) = ((u / cell_x).floor() as i32, (v / cell_y).floor() as i32);
    let (x, y) = (u - i as f32 * cell_x, v - j as f32 * cell_y);
    let (w, h) = (0.28 + 0.22 * hash(seed, i, j), 0.36 + 0.26 * hash(seed + 1, i, j));
    let (x, y) = (x - 0.06 - 0.06 * hash(seed + 2, i, j), y - 0.08);
    if x < 0.0 || y < 0.0 || x > w || y > h || hash(seed + 3, i, j) > 0.85 {
        return shade(wall, 0.96 + 0.08 * noise(seed, u * 7.0, v * 7.0));
    }
    let paper = mix(palette(hash(seed + 4, i, j)), [0.7, 0.7, 0.68], 0.55);
    let ink = shade(paper, 0.25);
    let line = (y / 0.035).floor() as i32;
    let written = y < 0.55 * h && y > 0.04 && x > 0.03 && x < w * (0.55 + 0.35 * hash(seed + 5, i * 31 + line, j));
    let picture = y > 0.6 * h && y < h - 0.03 && x > 0.03 && x < w - 0.03;
    if picture {
        mix(palette(hash(seed + 6, i, j)), paper, noise(seed + 7, u * 16.0, v * 16.0))
    } else if written && y - line as f32 * 0.035 < 0.012 {
        ink
    } else {
        paper
    }
}

fn grass(u: f32, v: f32) -> Rgb {
    let blades = noise(21, u * 150.0, v * 45.0);
    let clumps = noise(22, u * 5.0, v * 5.0);
    shade([0.075, 0.17, 0.035], 0.45 + 0.75 * blades + 0.3 * clumps)
}

fn hall(u: f32, v: f32) -> Rgb {
    let (x, y) = (u.rem_euclid(0.60), v.rem_euclid(0.30));
    let joint = x < 0.008 || y < 0.008;
    let tone = 0.95 + 0.07 * noise(31, u * 3.0, v * 3.0) + 0.03 * noise(32, u * 80.0, v * 80.0);
    let base = match v {
        v if v < 1.20 => [0.115, 0.20, 0.27],
        v if v < 1.26 => [0.62, 0.60, 0.52],
        _ => [0.50, 0.50, 0.46],
    };
    shade(base, if joint { 0.82 * tone } else { tone })
}

fn boards(colour: Rgb, u: f32, v: f32) -> Rgb {
    let row = (v / 0.12).floor();
    let board = (u / 1.7 + hash(41, row as i32, 0)).floor() as i32;
    let edge = v - row * 0.12 < 0.004;
    shade(wood(colour, u + 0.37 * row, v), (0.82 + 0.3 * hash(42, board, row as i32)) * if edge { 0.7 } else { 1.0 })
}

fn wood(colour: Rgb, u: f32, v: f32) -> Rgb {
    let wave = v * 90.0 + 2.5 * noise(51, u * 2.5, v * 14.0);
    shade(
        colour,
        0.86 + 0.14 * (wave * 1.7).sin() * noise(52, u * 3.0, v * 40.0) + 0.12 * noise(53, u * 14.0, v * 160.0),
    )
}

/// Muted paint and cloth colours by a number from 0 to 1.
fn palette(hue: f32) -> Rgb {
    const COLOURS: [Rgb; 8] = [
        [0.30, 0.06, 0.05],
        [0.06, 0.14, 0.32],
        [0.08, 0.22, 0.10],
        [0.42, 0.33, 0.10],
        [0.22, 0.10, 0.26],
        [0.45, 0.43, 0.38],
        [0.05, 0.22, 0.24],
        [0.33, 0.16, 0.07],
    ];
    COLOURS[(hue * 8.0) as usize % 8]
}

pub fn mix(a: Rgb, b: Rgb, share: f32) -> Rgb {
    [0, 1, 2].map(|c| a[c] + (b[c] - a[c]) * share)
}

pub fn shade(colour: Rgb, factor: f32) -> Rgb {
    colour.map(|c| (c * factor).clamp(0.0, 1.0))
}

/// An even number from 0 to 1 for a place of a lattice.
pub fn hash(seed: u32, x: i32, y: i32) -> f32 {
    let mut h =
        seed.wrapping_mul(0x9E37_79B1) ^ (x as u32).wrapping_mul(0x85EB_CA77) ^ (y as u32).wrapping_mul(0xC2B2_AE3D);
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    h = (h ^ (h >> 12)).wrapping_mul(0x297A_2D39);
    (h ^ (h >> 15)) as f32 / u32::MAX as f32
}

/// Smooth noise from 0 to 1 with one bump a unit.
fn noise(seed: u32, x: f32, y: f32) -> f32 {
    let (x0, y0) = (x.floor(), y.floor());
    let smooth = |t: f32| t * t * (3.0 - 2.0 * t);
    let (tx, ty) = (smooth(x - x0), smooth(y - y0));
    let at = |dx, dy| hash(seed, x0 as i32 + dx, y0 as i32 + dy);
    let low = at(0, 0) + (at(1, 0) - at(0, 0)) * tx;
    let high = at(0, 1) + (at(1, 1) - at(0, 1)) * tx;
    low + (high - low) * ty
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn printed_codes_become_linear_light() {
        // IEC 61966-2-1: code 188 is 0.5028 of the light, to four places.
        assert!((srgb_to_linear(188) - 0.5028).abs() < 1e-4);
        assert_eq!(Raster::from_srgb(2, 1, 3, &[0; 5]).map(|r| r.width), None);
    }

    #[test]
    fn reducing_a_print_keeps_its_mean() {
        let samples: Vec<u8> = (0..64 * 32).map(|i| if (i / 3) % 2 == 0 { 255 } else { 0 }).collect();
        let raster = Raster::from_srgb(64, 32, 1, &samples).unwrap();
        let mean = |r: &Raster| r.pixels.iter().map(|p| p[0]).sum::<f32>() / r.pixels.len() as f32;
        let small = raster.clone().reduced_to(10.0);
        assert_eq!(small.width, 16);
        assert!((mean(&small) - mean(&raster)).abs() < 1e-5);
    }
}
