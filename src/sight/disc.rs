//! The opaque, blurred, streaked disc over a known background, fitted to the picture itself.
//!
//! The picture is I = (1 − a)·B + a·C with the background B, the ball's light C and its time-averaged coverage a
//! (the disc edge is the normal integral of the distance to the rim over the blur). Over a
//! textured wall this is ten times better than the difference picture, whose centroid the texture pulls about. C may
//! vary over the disc: a lit ball is brighter on one side, and an even disc would be pulled there. Where that makes the
//! ball as bright as the wall on one side, only its colour shows the rim, and chroma joins luma in the fit.

use crate::units::{Covariance2, PixelPoint};

pub use super::settle::fit_disc;

/// Terms of the shading over the disc: the monomials uⁱ·vʲ up to the fourth degree, by rising degree, with u, v in radii
/// from the centre. The first 1, 3, 6, 10 or 15 are a whole polynomial of degree 0 to 4.
pub const SHADES: usize = 15;

/// Light of the ball over its disc, white = 1.
pub type Shading = [f64; SHADES];

/// Colour of the ball: cb − 128 and cr − 128 for each level of its luma. One lamp's light on one colour scales all three
/// signals alike, since the camera's curve is nearly a power law; so the shading is shared, and these two numbers are all.
pub type Tint = [f64; 2];

/// How perspective draws a sphere out: its outline is an ellipse, longer by 1/cos θ along the line to the picture's middle
/// when it is seen at the angle θ from the optical axis (8 % at the edge of a phone's picture).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Axis towards the middle over the one across it: 1 for a disc, below 1 where a barrel lens shortens it by more.
    pub factor: f64,
    /// Unit vector of the axis towards the middle.
    pub along: (f64, f64),
}

impl Stretch {
    /// No stretch: a disc in the middle of the picture.
    pub const NONE: Self = Self { factor: 1.0, along: (1.0, 0.0) };

    /// Stretch at `place` for a camera with this focal length and principal point, both px.
    pub fn at(place: PixelPoint, focal_px: f64, principal: PixelPoint) -> Self {
        let (dx, dy) = (place.x - principal.x, place.y - principal.y);
        let off = dx.hypot(dy);
        if off < 1e-6 {
            return Self::NONE;
        }
        Self { factor: 1.0f64.hypot(off / focal_px), along: (dx / off, dy / off) }
    }

    /// Shrinks a vector along the axis towards the middle, so that the ellipse becomes a disc; symmetric, so slopes take it alike.
    pub(super) fn undo(&self, (dx, dy): (f64, f64)) -> (f64, f64) {
        let part = (1.0 / self.factor - 1.0) * (dx * self.along.0 + dy * self.along.1);
        (dx + part * self.along.0, dy + part * self.along.1)
    }
}

/// Projection of a sphere's centre from the centre of its outline: the outline's centre lies farther out by ρ·R²/f with
/// ρ = distance from the principal point over f (second order of the tangent; 0.07 px for R = 15 px at the edge).
pub fn sphere_centre(outline: PixelPoint, radius_px: f64, focal_px: f64, principal: PixelPoint) -> PixelPoint {
    let inwards = radius_px * radius_px / (focal_px * focal_px);
    PixelPoint::new(outline.x - (outline.x - principal.x) * inwards, outline.y - (outline.y - principal.y) * inwards)
}

/// A ball as it appears in one exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Disc {
    /// Centre at mid-exposure.
    pub centre: PixelPoint,
    pub radius_px: f64,
    /// Standard deviation of the edge's blur, px.
    pub blur_px: f64,
    /// Way of the centre during the exposure, from its start to its end, px.
    pub streak_px: (f64, f64),
    pub stretch: Stretch,
    pub shading: Shading,
    /// How many terms of the shading are in use; the rest are nought.
    pub shades: usize,
    /// Colour, where chroma is to be fitted too.
    pub tint: Option<Tint>,
}

impl Disc {
    /// Whether a place, from the centre, lies clear of the ball and of its blurred rim all through the exposure.
    pub fn clears(&self, x: f64, y: f64) -> bool {
        let (sx, sy) = self.streak_px;
        let squared = sx * sx + sy * sy;
        let part = if squared > 0.0 { ((x * sx + y * sy) / squared).clamp(-0.5, 0.5) } else { 0.0 };
        let reach = self.stretch.factor.max(1.0) * (self.radius_px + 3.2 * self.blur_px) + 1.5;
        (x - part * sx).powi(2) + (y - part * sy).powi(2) >= reach * reach
    }
}

/// A cut-out of a frame with the resting scene behind it, in levels.
#[derive(Debug, Clone)]
pub struct Patch {
    /// Place of the first pixel in the picture, and the size: all even, since chroma has half as many samples.
    pub left: isize,
    pub top: isize,
    pub width: usize,
    pub height: usize,
    pub luma: PatchPlane,
    /// Cb and Cr, at half the width and height; `None` where only luma is fitted.
    pub chroma: Option<[PatchPlane; 2]>,
}

/// One signal of a patch, row by row.
#[derive(Debug, Clone)]
pub struct PatchPlane {
    pub levels: Vec<f32>,
    /// The resting scene with the frame's drift of exposure added.
    pub background: Vec<f32>,
    /// Standard deviation of the noise, levels; infinite where the frame wasn't kept or ends.
    pub noise: Vec<f32>,
}

impl PatchPlane {
    /// A plane of `size` samples of which nothing is known.
    pub fn unknown(size: usize) -> Self {
        Self { levels: vec![0.0; size], background: vec![0.0; size], noise: vec![f32::INFINITY; size] }
    }
}

/// Which unknowns of a disc are fitted beside its centre.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unknowns {
    pub radius: bool,
    pub blur: bool,
    /// Length of the streak along its given direction.
    pub streak: bool,
    /// How many terms of the shading are free, 0 to [`SHADES`]; with 0 the brightness as a whole is free.
    pub shades: usize,
    /// The two numbers of the tint, for a disc that has one.
    pub tint: bool,
}

impl Unknowns {
    /// The centre, and the brightness as a whole.
    pub const PLACE: Self = Self { radius: false, blur: false, streak: false, shades: 0, tint: false };

    /// How many of the outline are free, its centre's two among them.
    pub(super) fn outline(&self) -> usize {
        2 + [self.radius, self.blur, self.streak].iter().filter(|free| **free).count()
    }

    /// How many of the shading, or the brightness as a whole.
    pub(super) fn light(&self) -> usize {
        self.shades.max(1)
    }
}

/// A fitted disc.
#[derive(Debug, Clone, PartialEq)]
pub struct DiscFit {
    pub disc: Disc,
    pub covariance_px2: Covariance2,
    /// Standard deviation of the pixel residuals over the expected noise.
    pub misfit: f64,
    /// Share of the departure from the background that the disc explains, up to 1.
    pub explained: f64,
    /// The same of the part that looks like the ball.
    pub explained_in_view: f64,
    /// Share of the disc's area that looks like the ball, 0 to 1.
    pub visible: f64,
    /// The same without what would look like the ball had it not been there: before a dark tube a dark ball doesn't show.
    pub shown: f64,
    /// Contrast of the ball against the background over the noise, per pixel.
    pub signal_to_noise: f64,
}
