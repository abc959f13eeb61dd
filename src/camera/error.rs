//! Why a camera could not be made, or a card not be read.

use thiserror::Error;

/// Why no camera could be made of a rig and a view.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum CameraError {
    #[error("nothing says how long anything in the picture is")]
    NoScale,
    #[error("the ball is to be the scale, and its diameter isn't stated")]
    BallWithoutDiameter,
    #[error("the ball is to be the scale, and its size in the picture isn't known")]
    BallNotSeen,
    #[error("the four corners don't belong to a rectangle seen from the front")]
    CornersDegenerate,
    #[error("the scale is {offset_m:.2} m in front of the flight, and the camera only {distance_m:.2} m away from it")]
    ScaleBehindCamera { offset_m: f64, distance_m: f64 },
    #[error("lens terms k1 and k2 are stated without the focal length they belong to")]
    LensWithoutFocalLength,
    #[error("the lens terms k1 = {k1} and k2 = {k2} fold the picture over itself before its corners")]
    LensFolds { k1: f64, k2: f64 },
    /// `field` is its name as written in the rig, such as `camera.plumb`.
    #[error("the point {x:.0},{y:.0} of `{field}` lies outside the picture of {width} × {height} pixels")]
    PointOutside { field: &'static str, x: f64, y: f64, width: usize, height: usize },
    #[error("the marks found don't fit a flat card in front of the camera")]
    MarksUnplaced,
    #[error("part of the picture looks past the horizon of the flight's plane")]
    PastHorizon,
}

impl CameraError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::NoScale => {
                "hang a scale card (`lobline card`) where the ball flies, or mark a known length with \
                              `--scale \"x,y to x,y = 0.500 m\"`"
            }
            Self::BallWithoutDiameter => "state `diameter` or `sport` under `[ball]` in the rig",
            Self::BallNotSeen => "the ball must be found first: mark a known length instead, or film closer",
            Self::CornersDegenerate => "mark the four corners again, bottom left first and then anticlockwise",
            Self::ScaleBehindCamera { .. } => "check `offset` under `[scale]` and `distance` under `[camera]`",
            Self::LensWithoutFocalLength => "state `focal_length` under `[camera]`; `lobline lens` finds all three",
            Self::LensFolds { .. } => "check the signs of k1 and k2; `lobline lens` estimates them from straight edges",
            Self::PointOutside { .. } => {
                "points are in pixels of the displayed picture, x right and y down from the top left; \
                                          was the clip another one, or another size?"
            }
            Self::MarksUnplaced => {
                "fix the card flat on something stiff, or set `ignore = true` under `[card]` and mark a length"
            }
            Self::PastHorizon => "check yaw, pitch and the marks; film the flight more squarely",
        }
        .to_owned()
    }
}
