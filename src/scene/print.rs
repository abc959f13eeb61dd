//! What is printed on a ball or sewn into it. It turns with the ball, so it tells apart what follows the ball from what
//! follows its look.

use super::camera::Vec3;

/// A pattern on a ball, in a colour of its own (reflectance in linear light). Sizes are shares of the ball's radius.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Print {
    Plain,
    /// Two great circles and two smaller ones beside them, as on balls glued from eight leaves.
    Seams {
        colour: [f64; 3],
        width: f64,
    },
    /// One line that winds about the ball and closes, as on balls sewn from two leaves.
    Wave {
        colour: [f64; 3],
        width: f64,
    },
    /// Twelve spots at the corners of an icosahedron.
    Spots {
        colour: [f64; 3],
        radius: f64,
    },
    /// Leaves from pole to pole, every second one coloured.
    Leaves {
        colour: [f64; 3],
        count: u32,
    },
}

impl Print {
    /// Reflectance in the direction `n` (unit, in the ball's own frame) of a ball of reflectance `ground`; `pixel` is a
    /// pixel's size as a share of the radius, over which edges fade.
    pub fn at(&self, ground: [f64; 3], n: &Vec3, pixel: f64) -> [f64; 3] {
        let (colour, share) = match self {
            Self::Plain => return ground,
            Self::Seams { colour, width } => {
                let off = n.x.abs().min(n.y.abs()).min((n.z.abs() - 0.6).abs());
                (colour, fade(width / 2.0 - off, pixel))
            }
            Self::Wave { colour, width } => {
                let off = (n.z - 0.55 * (2.0 * n.y.atan2(n.x)).cos()).abs();
                // The line runs aslant between its turns, where a step in z is a shorter one across it.
                (colour, fade(width / 2.0 - 0.7 * off, pixel))
            }
            Self::Spots { colour, radius } => {
                let nearest = icosahedron().iter().map(|corner| n.dot(corner)).fold(-1.0, f64::max);
                (colour, fade(radius - nearest.clamp(-1.0, 1.0).acos(), pixel))
            }
            Self::Leaves { colour, count } => {
                let turn = n.y.atan2(n.x) / std::f64::consts::TAU * f64::from(*count);
                let (leaf, within) = (turn.floor(), turn - turn.floor());
                let width = std::f64::consts::TAU / f64::from(*count) * n.x.hypot(n.y);
                let inward = within.min(1.0 - within) * width;
                let coloured = leaf.rem_euclid(2.0) < 0.5;
                let own = fade(inward, pixel);
                (colour, if coloured { own } else { 1.0 - own })
            }
        };
        [0, 1, 2].map(|c| ground[c] + (colour[c] - ground[c]) * share)
    }
}

/// 1 well inside, 0 well outside of an edge, in between over a pixel.
fn fade(inside: f64, pixel: f64) -> f64 {
    (0.5 + inside / pixel.max(1e-6)).clamp(0.0, 1.0)
}

/// Unit directions to the twelve corners.
fn icosahedron() -> [Vec3; 12] {
    const GOLDEN: f64 = 1.618_033_988_749_895;
    let size = 1.0_f64.hypot(GOLDEN);
    let (short, long) = (1.0 / size, GOLDEN / size);
    std::array::from_fn(|i| {
        let (a, b) = (if i & 1 == 0 { short } else { -short }, if i & 2 == 0 { long } else { -long });
        match i / 4 {
            0 => Vec3::new(0.0, a, b),
            1 => Vec3::new(a, b, 0.0),
            _ => Vec3::new(b, 0.0, a),
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLACK: [f64; 3] = [0.0; 3];

    #[test]
    fn a_print_covers_the_share_of_the_ball_that_its_form_gives() {
        // Evenly spread directions, by the golden angle.
        const N: usize = 40_000;
        let directions = (0..N).map(|i| {
            let z = 1.0 - 2.0 * (i as f64 + 0.5) / N as f64;
            let (sin, cos) = (i as f64 * 2.399_963_229_728_653).sin_cos();
            Vec3::new((1.0 - z * z).sqrt() * cos, (1.0 - z * z).sqrt() * sin, z)
        });
        let directions: Vec<Vec3> = directions.collect();
        let share =
            |print: Print| directions.iter().map(|n| 1.0 - print.at([1.0; 3], n, 1e-3)[0]).sum::<f64>() / N as f64;
        // Twelve caps of 0.3 rad: 12 · (1 − cos 0.3)/2.
        let spots = share(Print::Spots { colour: BLACK, radius: 0.3 });
        assert!((spots - 6.0 * (1.0 - 0.3_f64.cos())).abs() < 0.005, "{spots}");
        let leaves = share(Print::Leaves { colour: BLACK, count: 6 });
        assert!((leaves - 0.5).abs() < 0.005, "{leaves}");
        // A zone 0.02 wide about a great circle is 0.01 of the sphere, and so is each zone of that height; four meet in a few places.
        let seams = share(Print::Seams { colour: BLACK, width: 0.02 });
        assert!((0.037..0.0401).contains(&seams), "{seams}");
    }
}
