//! What a student states on the sheet, and what it means.

use serde::{Deserialize, Serialize};
use toml::{Table, Value};

use super::error::Refusal;
use super::id::Id;
use crate::clip::RATES_HZ;
use crate::measure::{Before, BeforeError, Expected, MeanLaunch, Mending, Origin, Settings};
use crate::quantity::{Kind, Reading};
use crate::rig::{Launcher, Rig};
use crate::sight::FindOptions;
use crate::units::{Estimate, PixelPoint};

/// What was typed and marked, as it was typed: texts carry their unit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Setup {
    /// Two ends in the picture, px, and the length between them.
    pub length: Option<KnownLength>,
    /// Cards in view are not to be used.
    pub ignore_cards: bool,
    /// Two points of a plumb line, px.
    pub plumb: Option<[[f64; 2]; 2]>,
    pub capture_rate_hz: Option<f64>,
    pub ball_diameter: Option<String>,
    pub ball_mass: Option<String>,
    /// From the lens to the plane of the flight.
    pub camera_distance: Option<String>,
    /// How much nearer to the camera than the flight the scale is.
    pub scale_offset: Option<String>,
    /// The ball's place in one frame.
    pub ball_at: Option<ShownBall>,
    /// The ball is only looked for in this part of the picture: two opposite corners, px.
    pub region: Option<[[f64; 2]; 2]>,
    /// And only in this time, s on the file's clock.
    pub window_s: Option<[f64; 2]>,
    pub forecast: Option<Prediction>,
}

/// A length that is known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownLength {
    pub from: [f64; 2],
    pub to: [f64; 2],
    pub length: String,
}

/// The ball, shown by hand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShownBall {
    pub frame: usize,
    pub at: [f64; 2],
}

/// What was foretold of the shot, as typed; empty is not stated.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Prediction {
    pub speed: String,
    /// Instead of the speed: length of ball that interrupts a timing gate, and for how long.
    pub gate_length: String,
    pub gate_time: String,
    pub angle: String,
    /// Of the launch point above the floor.
    pub height: String,
    /// Above the floor, at which the landing is asked for; the floor when empty.
    pub target_height: String,
    /// Instead of a typed speed, as it was asked for.
    pub like: Option<Like>,
    /// And as it was then: what is measured later doesn't change what was foretold.
    pub known: Option<Known>,
}

/// Earlier shots by which one is foretold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Like {
    /// The flights of another clip of the same group.
    Clip(Id),
    /// A launcher's shots in the shot book.
    Book(String),
}

/// Speed and angle of earlier shots.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Known {
    pub speed_m_per_s: Estimate,
    pub angle_deg: Option<Estimate>,
    /// Whose, in few words.
    pub note: String,
}

/// A launch as it is typed into the fields of the page; empty is not stated.
#[derive(Debug, Clone, Copy, Default)]
pub struct TypedLaunch<'a> {
    pub speed: &'a str,
    pub gate_length: &'a str,
    pub gate_time: &'a str,
    pub angle: &'a str,
    pub height: &'a str,
}

impl TypedLaunch<'_> {
    /// For the library to put together, as the command line does; `origin` is what was measured before, where no speed is typed.
    ///
    /// # Errors
    /// What was typed wrongly, and how to write it.
    pub fn before(self, origin: Option<Origin>) -> Result<Before, Refusal> {
        let read = |name: &str, kind: Kind, text: &str| {
            let stated = Some(text.trim()).filter(|text| !text.is_empty());
            stated.map(|text| reading(name, kind, text)).transpose()
        };
        let speed = read("speed", Kind::Speed, self.speed)?;
        if speed.as_ref().is_some_and(|speed| speed.value <= 0.0) {
            return Err(Refusal::wrong("The speed must be above zero.", "Write it like `3.5 m/s`."));
        }
        let length = read("length of ball in the gate", Kind::Length, self.gate_length)?;
        let time = read("time of the gate", Kind::Time, self.gate_time)?;
        let gate = match (length, time) {
            (Some(length), Some(time)) => Some(Origin::Gate { length, time }),
            (None, None) => None,
            _ => {
                return Err(Refusal::wrong(
                    "A timing gate's speed needs both, the length of ball that interrupts it and for how long.",
                    "Write them like `20.0 mm` and `5.68 ms`.",
                ));
            }
        };
        Ok(Before {
            origin: speed.map(Origin::Typed).or(gate).or(origin),
            angle: read("angle", Kind::Angle, self.angle)?,
            height: read("height of the launch", Kind::Length, self.height)?,
        })
    }
}

/// A launch that isn't known well enough, in the words of the page.
pub fn refused(error: &BeforeError) -> Refusal {
    let hint = match error {
        BeforeError::NoSpeed => "Type it like `3.5 m/s`, or take it from an earlier shot.".to_owned(),
        BeforeError::NoAngle { .. } => "Type it like `48°`.".to_owned(),
        BeforeError::NoHeight => {
            "Type how high above the floor the ball's centre leaves the launcher, like `85 cm`.".to_owned()
        }
        other => sentence(&other.hint()),
    };
    Refusal::wrong(sentence(&error.to_string()), hint)
}

/// What is stated for a whole room; what a group states goes before it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Common {
    /// The text of a rig file; empty when nothing is stated.
    pub rig: String,
    /// These go before what stands in the rig file.
    pub ball_diameter: Option<String>,
    pub ball_mass: Option<String>,
    pub launcher: Option<String>,
    /// How the launcher is loaded, as it was typed; `notch` in rooms of before.
    #[serde(alias = "notch")]
    pub setting: Option<String>,
    /// Degrees, north positive.
    pub latitude: Option<String>,
    pub forecast: Option<Prediction>,
}

/// Everything on which a run in the child process depends, and nothing else: equal settings give the same run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunSettings {
    pub rig: Rig,
    pub capture_rate_hz: Option<f64>,
    pub ball_at: Option<(usize, PixelPoint)>,
    /// Left, top, right, bottom, px.
    pub region_px: Option<(f64, f64, f64, f64)>,
    pub window_s: Option<(f64, f64)>,
}

impl RunSettings {
    pub fn to_settings(&self) -> Settings {
        Settings {
            rig: self.rig.clone(),
            find: FindOptions {
                shown_at: self.ball_at,
                region_px: self.region_px,
                window_s: self.window_s,
                ..FindOptions::default()
            },
            capture_rate_hz: self.capture_rate_hz,
            picture_rate_hz: None,
            track: None,
            mending: Mending::default(),
            monte_carlo: None,
        }
    }

    /// Whether both give the same run: what is said of the launcher beside its place in the picture is for the book and for looking
    /// ahead, and thirty clips needn't be measured again for a name.
    pub fn gives_the_run_of(&self, other: &Self) -> bool {
        let measured_by = |settings: &Self| {
            let mut settings = settings.clone();
            let point_px = settings.rig.launcher.point_px;
            settings.rig.launcher = Launcher { point_px, ..Launcher::default() };
            settings
        };
        measured_by(self) == measured_by(other)
    }

    /// Whether something is known that gives a scale, `cards` in view or not.
    pub fn has_scale(&self, cards: bool) -> bool {
        let ball = self.rig.ball.diameter.is_some() || self.rig.ball.sport.is_some();
        let lines = self.rig.scale.all_lines().next().is_some() || self.rig.scale.rectangle.is_some();
        lines || ball || (cards && !self.rig.card.ignore)
    }
}

impl Common {
    /// As the fields of a rig file.
    ///
    /// # Errors
    /// When the text isn't one.
    fn table(&self) -> Result<Table, Refusal> {
        let mut table: Table = toml::from_str(&self.rig).map_err(|error| {
            Refusal::wrong(
                format!("The rig file for all can't be read: {}.", error.message()),
                "Choose a rig file that `lobline measure` takes, or leave it out.",
            )
        })?;
        let texts = [
            ("ball", "diameter", &self.ball_diameter),
            ("ball", "mass", &self.ball_mass),
            ("launcher", "name", &self.launcher),
            ("launcher", "setting", &self.setting),
            ("place", "latitude", &self.latitude),
        ];
        put_texts(&mut table, &texts);
        Ok(table)
    }

    /// What is stated, in a sentence for those for whom it is; `None` when nothing is.
    pub fn in_words(&self) -> Option<String> {
        let with = |name: &str, text: &Option<String>| {
            text.as_deref().filter(|text| !text.trim().is_empty()).map(|text| format!("{name} {}", text.trim()))
        };
        let mut parts: Vec<String> = [
            with("the launcher is", &self.launcher),
            with("its setting is", &self.setting),
            with("the ball measures", &self.ball_diameter),
            with("it weighs", &self.ball_mass),
        ]
        .into_iter()
        .flatten()
        .collect();
        if !self.rig.trim().is_empty() {
            parts.push("a rig file goes with every clip".to_owned());
        }
        if let Some(forecast) = &self.forecast {
            parts.push(format!("the forecast is {}", forecast.in_words()));
        }
        (!parts.is_empty()).then(|| format!("Your teacher has stated for all: {}.", parts.join("; ")))
    }
}

impl Setup {
    /// What it means, on top of what is common to the room.
    ///
    /// # Errors
    /// What was typed wrongly, and how to write it.
    pub fn settings(&self, common: &Common) -> Result<RunSettings, Refusal> {
        let mut table = common.table()?;
        self.put_into(&mut table)?;
        let text = toml::to_string(&table).map_err(Refusal::internal)?;
        let rig =
            Rig::parse(&text).map_err(|error| Refusal::wrong(sentence(&error.to_string()), sentence(&error.hint())))?;
        if self.capture_rate_hz.is_some_and(|rate| !RATES_HZ.contains(&rate)) {
            return Err(Refusal::wrong("That is no frame rate.", "Give frames per second, such as 240."));
        }
        let ball_at = match &self.ball_at {
            Some(shown) => Some((shown.frame, point(shown.at)?)),
            None => None,
        };
        let region_px = self.region.map(corners).transpose()?;
        let window_s = self.window_s.map(|[from, to]| (from, to));
        if window_s.is_some_and(|(from, to)| !(from.is_finite() && to.is_finite() && from < to)) {
            return Err(Refusal::wrong("The flight can't end before it begins.", "Choose the two times again."));
        }
        Ok(RunSettings { rig, capture_rate_hz: self.capture_rate_hz, ball_at, region_px, window_s })
    }

    /// As fields of a rig file. Texts go in as values, so that none of them can become anything else.
    fn put_into(&self, rig: &mut Table) -> Result<(), Refusal> {
        if let Some(known) = &self.length {
            let line = format!("{} to {} = {}", place(known.from)?, place(known.to)?, unit_mark(&known.length));
            let mut scale = Table::new();
            // Another scale of the rig would contradict what the student sees in this picture.
            if let Some(Value::Table(common)) = rig.get("scale") {
                scale.extend(common.get("offset").map(|offset| ("offset".to_owned(), offset.clone())));
            }
            scale.insert("lengths".to_owned(), Value::Array(vec![Value::String(line)]));
            rig.insert("scale".to_owned(), Value::Table(scale));
        }
        if self.ignore_cards {
            section(rig, "card").insert("ignore".to_owned(), Value::Boolean(true));
        }
        if let Some([from, to]) = self.plumb {
            let line = format!("{} to {}", place(from)?, place(to)?);
            section(rig, "camera").insert("plumb".to_owned(), Value::String(line));
        }
        let texts = [
            ("ball", "diameter", &self.ball_diameter),
            ("ball", "mass", &self.ball_mass),
            ("camera", "distance", &self.camera_distance),
            ("scale", "offset", &self.scale_offset),
        ];
        put_texts(rig, &texts);
        Ok(())
    }
}

impl Known {
    /// The angle is the rig's, where the earlier shots have none.
    fn origin(&self) -> Origin {
        let (speed_m_per_s, note) = (self.speed_m_per_s, self.note.clone());
        Origin::Mean(MeanLaunch { speed_m_per_s, angle_deg: self.angle_deg, note })
    }
}

impl Prediction {
    /// "3.5 m/s at 48° from a height of 85 cm".
    fn in_words(&self) -> String {
        let stated = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        let speed = stated(&self.speed)
            .or_else(|| {
                Some(format!("a ball of {} in the gate for {}", stated(&self.gate_length)?, stated(&self.gate_time)?))
            })
            .or_else(|| self.known.as_ref().map(|known| format!("by {}", known.note)))
            .unwrap_or_else(|| "the rig's speed".to_owned());
        let angle = stated(&self.angle).map_or_else(String::new, |angle| format!(" at {angle}"));
        let height = stated(&self.height).map_or_else(String::new, |height| format!(" from a height of {height}"));
        format!("{speed}{angle}{height}")
    }

    /// # Errors
    /// What was typed wrongly, and how to write it.
    pub fn expected(&self, rig: &Rig) -> Result<Expected, Refusal> {
        let typed = TypedLaunch {
            speed: &self.speed,
            gate_length: &self.gate_length,
            gate_time: &self.gate_time,
            angle: &self.angle,
            height: &self.height,
        };
        let launch =
            typed.before(self.known.as_ref().map(Known::origin))?.launch(rig, None).map_err(|error| refused(&error))?;
        let floor = if self.target_height.trim().is_empty() { "0 m" } else { &self.target_height };
        let target = reading("height of the target", Kind::Length, floor)?.estimate();
        Expected::of_launch(&launch, target, rig)
            .map_err(|error| Refusal::wrong(sentence(&error.to_string()), "Check the ball's mass and diameter."))
    }
}

/// Reads a quantity with its unit.
///
/// # Errors
/// What was typed wrongly, and how to write it.
pub fn reading(name: &str, kind: Kind, text: &str) -> Result<Reading, Refusal> {
    Reading::parse(kind, &unit_mark(text))
        .map_err(|error| Refusal::wrong(format!("The {name}: {error}."), sentence(&error.hint())))
}

/// Puts texts in as values, so that none of them can become anything else. What is empty isn't stated.
fn put_texts(rig: &mut Table, texts: &[(&str, &str, &Option<String>)]) {
    for (name, key, text) in texts {
        if let Some(text) = text.as_deref().filter(|text| !text.trim().is_empty()) {
            section(rig, name).insert((*key).to_owned(), Value::String(unit_mark(text)));
        }
    }
}

fn section<'a>(rig: &'a mut Table, name: &str) -> &'a mut Table {
    let entry = rig.entry(name.to_owned()).or_insert_with(|| Value::Table(Table::new()));
    if !entry.is_table() {
        *entry = Value::Table(Table::new());
    }
    entry.as_table_mut().expect("it was just made one")
}

fn point(at: [f64; 2]) -> Result<PixelPoint, Refusal> {
    let fits = at.iter().all(|value| value.is_finite() && value.abs() < 1e6);
    if fits {
        Ok(PixelPoint::new(at[0], at[1]))
    } else {
        Err(Refusal::wrong("That place isn't in the picture.", "Mark it again."))
    }
}

/// Left, top, right, bottom of a rectangle given by two opposite corners.
fn corners([one, other]: [[f64; 2]; 2]) -> Result<(f64, f64, f64, f64), Refusal> {
    /// A smaller one can't hold a flight: a slip of the finger.
    const LEAST_PX: f64 = 8.0;
    let (one, other) = (point(one)?, point(other)?);
    if (one.x - other.x).abs() < LEAST_PX || (one.y - other.y).abs() < LEAST_PX {
        return Err(Refusal::wrong(
            "This part of the picture is too small.",
            "Drag its corners so far apart that the whole flight lies inside.",
        ));
    }
    Ok((one.x.min(other.x), one.y.min(other.y), one.x.max(other.x), one.y.max(other.y)))
}

fn place(at: [f64; 2]) -> Result<String, Refusal> {
    point(at).map(|p| format!("{:.3},{:.3}", p.x, p.y))
}

/// A decimal comma between digits as people type it, turned into the point that lengths are read with.
fn unit_mark(text: &str) -> String {
    let characters: Vec<char> = text.trim().chars().collect();
    let digit = |i: Option<usize>| i.and_then(|i| characters.get(i)).is_some_and(char::is_ascii_digit);
    let one =
        |(i, c): (usize, &char)| if *c == ',' && digit(i.checked_sub(1)) && digit(Some(i + 1)) { '.' } else { *c };
    characters.iter().enumerate().map(one).collect()
}

/// A message of the library as a sentence of the page.
pub fn sentence(text: &str) -> String {
    let mut characters = text.trim().chars();
    let Some(first) = characters.next() else { return String::new() };
    let whole: String = first.to_uppercase().chain(characters).collect();
    if whole.ends_with(['.', '?', '!']) { whole } else { whole + "." }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_becomes_a_rig() {
        let setup = Setup {
            length: Some(KnownLength { from: [10.0, 20.0], to: [10.0, 220.5], length: "30,5 cm".into() }),
            ball_mass: Some("13 g".into()),
            ball_diameter: Some("70 mm".into()),
            ..Setup::default()
        };
        let settings = setup.settings(&Common::default()).unwrap();
        assert_eq!(settings.rig.scale.lengths[0].length.length.metres(), 0.305);
        // One rounding on the way from grams to kilograms.
        assert!((settings.rig.ball.mass_kg.unwrap().value - 0.013).abs() < 1e-15);
        assert!(settings.has_scale(false));
    }

    #[test]
    fn a_group_s_own_length_goes_before_the_room_s() {
        let common = Common {
            rig: "[scale]\nlengths = ['0,0 to 9,9 = 1 m']\noffset = '5 cm'\n[ball]\nmass = '3 g'".into(),
            ..Common::default()
        };
        let length = Some(KnownLength { from: [0.0, 0.0], to: [50.0, 0.0], length: "20 cm".into() });
        let settings = Setup { length, ..Setup::default() }.settings(&common).unwrap();
        assert_eq!(settings.rig.scale.lengths.len(), 1);
        assert_eq!(settings.rig.scale.lengths[0].length.length.metres(), 0.2);
        assert_eq!(settings.rig.scale.offset_m.unwrap().value, 0.05);
        assert!((settings.rig.ball.mass_kg.unwrap().value - 0.003).abs() < 1e-15);
    }

    #[test]
    fn what_the_teacher_states_for_all_goes_before_the_rig_file() {
        let common = Common {
            rig: "[ball]\nmass = '3 g'\n[launcher]\nname = 'old'".into(),
            ball_mass: Some("13 g".into()),
            launcher: Some("wooden catapult".into()),
            latitude: Some("52,4°".into()),
            ..Common::default()
        };
        let rig = Setup::default().settings(&common).unwrap().rig;
        assert!((rig.ball.mass_kg.unwrap().value - 0.013).abs() < 1e-15);
        assert_eq!(rig.launcher.name.as_deref(), Some("wooden catapult"));
        assert_eq!(rig.place.latitude_deg.unwrap().value, 52.4);
        assert!(common.in_words().unwrap().contains("wooden catapult"));
        assert_eq!(Common::default().in_words(), None);
    }

    #[test]
    fn a_launcher_s_name_measures_nothing_again() {
        let of = |rig: &str| Setup::default().settings(&Common { rig: rig.into(), ..Common::default() }).unwrap();
        let named = of("[launcher]\nname = 'wooden catapult'\nheight = '85 cm'");
        assert!(named != of("") && named.gives_the_run_of(&of("")));
        assert!(!of("[launcher]\npoint = '120,640'").gives_the_run_of(&of("")));
        assert!(!of("[ball]\nmass = '13 g'").gives_the_run_of(&of("")));
    }

    #[test]
    fn no_text_can_become_another_field() {
        let setup = Setup { ball_mass: Some("13 g'\n[card]\nignore = true".into()), ..Setup::default() };
        let refusal = setup.settings(&Common::default()).unwrap_err();
        assert!(refusal.message.contains("ball.mass"), "{refusal:?}");
    }

    #[test]
    fn where_and_when_to_look_is_what_the_command_line_takes() {
        let setup =
            Setup { region: Some([[300.0, 20.0], [100.0, 220.0]]), window_s: Some([0.4, 1.6]), ..Setup::default() };
        let find = setup.settings(&Common::default()).unwrap().to_settings().find;
        assert_eq!(find.region_px, Some((100.0, 20.0, 300.0, 220.0)));
        assert_eq!(find.window_s, Some((0.4, 1.6)));
        let wrong = [
            Setup { window_s: Some([1.0, 1.0]), ..Setup::default() },
            Setup { region: Some([[5.0, 5.0], [6.0, 300.0]]), ..Setup::default() },
            Setup { region: Some([[f64::NAN, 5.0], [600.0, 300.0]]), ..Setup::default() },
        ];
        assert!(wrong.iter().all(|setup| setup.settings(&Common::default()).is_err()));
    }

    #[test]
    fn slips_say_what_to_write() {
        let length = Some(KnownLength { from: [0.0, 0.0], to: [50.0, 0.0], length: "20".into() });
        let refusal = Setup { length, ..Setup::default() }.settings(&Common::default()).unwrap_err();
        assert!(refusal.message.contains("no unit") && refusal.hint.contains("cm"), "{refusal:?}");
    }
}
