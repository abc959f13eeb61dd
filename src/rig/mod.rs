//! What is known beforehand about a set-up: scale, ball, camera, place, launcher, air and card, read from `rig.toml`.
//!
//! Every field may be left out; what isn't stated is `None` and goes into the uncertainty budget as unknown, never as nought.
//! Quantities carry their unit in their text and may carry a standard uncertainty, in one of the compact forms of
//! JCGM 100:2008, 7.2.2: `"3.00 m"`, `"3.00(2) m"` or `"3.00 m u 2 cm"`.
//!
//! ```toml
//! capture_rate = "240 Hz"          # true frames per second, when the file plays slower and doesn't say so
//!
//! [scale]
//! lengths = ["120,640 to 880,642 = 0.500 m"]   # ends in pixels (x right, y down, from the top left) and the length
//! horizontal = "120,640 to 880,642 = 0.500 m"  # a length known to lie level: gives the level too
//! vertical = "300,100 to 302,600 = 1.000 m"    # a length known to hang plumb: gives the level too
//! end_uncertainty = "1 px"         # standard uncertainty of a marked point
//! offset = "-10 cm"                # scale nearer to the camera than the flight: positive; behind it: negative
//! ball = true                      # take the ball's diameter as the scale
//! [scale.rectangle]                # four corners of a known rectangle in the plane of the flight
//! corners = "412,1011 1432,1011 1508,352 412,301"  # bottom left, bottom right, top right, top left
//! width = "1.000 m"
//! height = "0.500 m"
//! upright = true                   # its left and right edges hang plumb
//!
//! [ball]
//! sport = "tennis"                 # or diameter and mass
//! diameter = "70.0(5) mm"
//! mass = "13 g"
//! drag_coefficient = "0.45(5)"
//!
//! [camera]
//! distance = "3.00(2) m"           # lens to the plane of the flight, square to it
//! yaw = "12(1) deg"                # camera right of the square view: positive
//! pitch = "-3(1) deg"              # camera looks down: negative
//! roll = "1 deg"                   # camera turned clockwise as seen from behind it: positive
//! plumb = "640,90 to 642,600"      # two points of a plumb line, or of an edge known to be plumb
//! focal_length = "1480(30) px"
//! principal_point = "961.7,540.5"
//! k1 = "-0.08(1)"                  # radial lens terms of Brown (1971), for distances in focal lengths
//! k2 = "0.0"
//! readout = "15(1) ms"             # time from the first row of the picture to the last
//! readout_direction = "down"       # which way the rows follow each other in the displayed picture: down, up, right, left
//!
//! [place]
//! latitude = "52.4 deg"
//! height = "300 m"
//! g = "9.8124 m/s2"                # instead of latitude and height
//!
//! [launcher]
//! name = "wooden catapult"
//! setting = "notch 3"
//! point = "210,640"                # where the ball leaves it, px
//! height = "85 cm"                 # of that point above the floor
//! speed = "4.00(5) m/s"            # expected of it, for forecasts; a measurement takes no notice
//! angle = "52.0(5) deg"            # likewise
//!
//! [air]
//! temperature = "21 degC"
//! pressure = "1013 hPa"
//! humidity = "50 %"
//! density = "1.20 kg/m3"           # instead of the three above
//!
//! [card]
//! measured_bar = "149.5 mm"        # what the bar of the printed card really measures
//! ignore = false                   # true: don't look for cards
//! ```

mod balls;
mod read;
mod text;

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::small_file;
use crate::units::{Length, PixelPoint};

pub use balls::{SPORT_BALLS, SportBall, sport_ball};
pub use text::{ScaleLine, TextError, parse_length, parse_point, parse_points, parse_segment};

/// A stated quantity; its unit is in the name of the field that holds it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Stated {
    pub value: f64,
    /// Standard uncertainty in the same unit; `None` when it wasn't stated.
    pub standard_uncertainty: Option<f64>,
}

impl Stated {
    /// A value stated without an uncertainty.
    pub const fn plain(value: f64) -> Self {
        Self { value, standard_uncertainty: None }
    }

    /// A value with its standard uncertainty.
    pub const fn with_u(value: f64, u: f64) -> Self {
        Self { value, standard_uncertainty: Some(u) }
    }
}

/// A stated length above zero.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StatedLength {
    pub length: Length,
    /// `None` when it wasn't stated.
    pub standard_uncertainty_m: Option<f64>,
}

/// Everything that is known beforehand. [`Rig::default`] knows nothing, which is a rig too when a scale card is in view.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Rig {
    /// True frames per second at which the clip was recorded, Hz.
    pub capture_rate_hz: Option<Stated>,
    pub scale: Scale,
    pub ball: Ball,
    pub camera: CameraSetting,
    pub place: Place,
    pub launcher: Launcher,
    pub air: Air,
    pub card: Card,
}

/// Lengths seen in the picture.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Scale {
    /// Known lengths in any direction.
    pub lengths: Vec<ScaleLine>,
    /// A known length that lies level.
    pub horizontal: Option<ScaleLine>,
    /// A known length that hangs plumb.
    pub vertical: Option<ScaleLine>,
    pub rectangle: Option<Rectangle>,
    /// Standard uncertainty of each coordinate of a marked point, px.
    pub end_uncertainty_px: Option<f64>,
    /// How much nearer to the camera than the plane of the flight the scale is, m; negative when it is behind.
    pub offset_m: Option<Stated>,
    /// Whether the ball's diameter is to be the scale.
    pub ball: bool,
}

impl Scale {
    /// All known lengths with the direction that is known of each.
    pub fn all_lines(&self) -> impl Iterator<Item = &ScaleLine> {
        self.lengths.iter().chain(&self.horizontal).chain(&self.vertical)
    }
}

/// Four corners of a known rectangle in one plane with the scale.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rectangle {
    /// Bottom left, bottom right, top right, top left, px.
    pub corners: [PixelPoint; 4],
    pub width: StatedLength,
    pub height: StatedLength,
    /// Whether its left and right edges hang plumb.
    pub upright: bool,
}

/// The ball.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Ball {
    /// The sport whose ball it is, when that was given.
    pub sport: Option<String>,
    pub diameter: Option<StatedLength>,
    pub mass_kg: Option<Stated>,
    pub drag_coefficient: Option<Stated>,
}

/// The camera and how it stands.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct CameraSetting {
    /// From the lens to the plane of the flight, square to it.
    pub distance: Option<StatedLength>,
    /// Camera to the right of the square view is positive, degrees.
    pub yaw_deg: Option<Stated>,
    /// Camera looking up is positive, degrees.
    pub pitch_deg: Option<Stated>,
    /// Camera turned clockwise, as seen from behind it, is positive, degrees.
    pub roll_deg: Option<Stated>,
    /// Two points on a plumb line, px.
    pub plumb: Option<(PixelPoint, PixelPoint)>,
    pub focal_length_px: Option<Stated>,
    pub principal_point_px: Option<PixelPoint>,
    pub k1: Option<Stated>,
    pub k2: Option<Stated>,
    /// Time from the first row of the picture to the last, s.
    pub readout_s: Option<Stated>,
    /// Which way the rows follow each other in the displayed picture; `None`: as the clip's own rotation says.
    pub readout_direction: Option<ReadoutDirection>,
}

/// Which way rows of the sensor follow each other in the displayed picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ReadoutDirection {
    Down,
    Up,
    Right,
    Left,
}

/// Where the shot is made.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Place {
    /// Geodetic latitude, degrees, north positive.
    pub latitude_deg: Option<Stated>,
    /// Height above sea level, m.
    pub height_m: Option<Stated>,
    pub g_m_per_s2: Option<Stated>,
}

/// What throws the ball.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Launcher {
    pub name: Option<String>,
    pub setting: Option<String>,
    /// Where the ball leaves it, px.
    pub point_px: Option<PixelPoint>,
    /// Height of that point above the floor.
    pub height: Option<StatedLength>,
    /// Launch speed that is expected of it; for forecasts alone.
    pub speed_m_per_s: Option<Stated>,
    /// Launch angle that is expected of it, degrees above the horizontal; for forecasts alone.
    pub angle_deg: Option<Stated>,
}

/// The air.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Air {
    pub temperature_celsius: Option<Stated>,
    pub pressure_pa: Option<Stated>,
    /// Relative humidity, 0 to 1.
    pub relative_humidity: Option<Stated>,
    pub density_kg_per_m3: Option<Stated>,
}

/// The printed scale cards.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Card {
    /// What the bar of the printed card measures with a ruler.
    pub measured_bar: Option<StatedLength>,
    /// Cards in view are not to be used.
    pub ignore: bool,
}

/// Why a rig could not be read.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum RigError {
    #[error("cannot read the rig file `{}`: {source}", path.display())]
    Unreadable { path: PathBuf, source: std::io::Error },
    #[error("the rig file is not as expected: {message}")]
    Form { message: String },
    /// A field's value; `field` is its name as written in the file, such as `camera.readout`.
    #[error("`{field}` in the rig: {problem}")]
    Field { field: String, problem: String, remedy: String },
}

impl RigError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::Unreadable { .. } => {
                "check the path, or write a first rig with `lobline rig CLIP --output rig.toml`".to_owned()
            }
            Self::Form { .. } => {
                "compare the line with the fields that `lobline rig --help` lists; a field that lobline \
                                  doesn't know is refused so that a slip of the pen can't pass unseen"
                    .to_owned()
            }
            Self::Field { remedy, .. } => remedy.clone(),
        }
    }
}

impl Rig {
    /// This rig over a common one: a part that this one states goes before the other's, as a whole; the rest is the common one's.
    #[must_use]
    pub fn over(self, common: &Self) -> Self {
        fn stated<T: Clone + Default + PartialEq>(own: T, common: &T) -> T {
            if own == T::default() { common.clone() } else { own }
        }
        Self {
            capture_rate_hz: stated(self.capture_rate_hz, &common.capture_rate_hz),
            scale: stated(self.scale, &common.scale),
            ball: stated(self.ball, &common.ball),
            camera: stated(self.camera, &common.camera),
            place: stated(self.place, &common.place),
            launcher: stated(self.launcher, &common.launcher),
            air: stated(self.air, &common.air),
            card: stated(self.card, &common.card),
        }
    }

    /// Reads a rig file.
    ///
    /// # Errors
    /// [`RigError`], which names the field and the remedy.
    pub fn read(path: &Path) -> Result<Self, RigError> {
        let text = small_file::text(path, small_file::NOTES_BYTES)
            .map_err(|source| RigError::Unreadable { path: path.to_owned(), source })?;
        Self::parse(&text)
    }

    /// Reads the text of a rig file.
    ///
    /// # Errors
    /// [`RigError`], which names the field and the remedy.
    ///
    /// # Examples
    /// ```
    /// let rig = lobline::rig::Rig::parse("[scale]\nlengths = ['120,640 to 880,642 = 0.500 m']")?;
    /// assert_eq!(rig.scale.lengths[0].length.length.metres(), 0.5);
    /// # Ok::<(), lobline::rig::RigError>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, RigError> {
        read::rig(text)
    }
}
