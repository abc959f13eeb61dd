//! What a student states on the sheet, and what it means.

use serde::{Deserialize, Serialize};
use toml::{Table, Value};

use super::error::Refusal;
use crate::flight::reading::{Kind, Reading};
use crate::measure::{Expected, Mending, Settings};
use crate::rig::Rig;
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

/// What was foretold of the shot, as typed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Prediction {
    pub speed: String,
    pub angle: String,
    /// Of the launch point above the floor.
    pub height: String,
    /// Above the floor, at which the landing is asked for; the floor when empty.
    #[serde(default)]
    pub target_height: String,
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
    /// The launcher's power notch.
    pub notch: Option<String>,
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
            mending: Mending::default(),
        }
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
            ("launcher", "setting", &self.notch),
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
            with("its notch is", &self.notch),
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
            let (speed, angle, height) = (forecast.speed.trim(), forecast.angle.trim(), forecast.height.trim());
            parts.push(format!("the forecast is {speed} at {angle} from a height of {height}"));
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
        if self.capture_rate_hz.is_some_and(|rate| !(1.0..=100_000.0).contains(&rate)) {
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

impl Prediction {
    /// # Errors
    /// What was typed wrongly, and how to write it.
    pub fn expected(&self, rig: &Rig) -> Result<Expected, Refusal> {
        let speed = read("speed", Kind::Speed, &self.speed)?;
        if speed.value <= 0.0 {
            return Err(Refusal::wrong("The speed you foretold must be above zero.", "Write it like `3.5 m/s`."));
        }
        let angle = read("angle", Kind::Angle, &self.angle)?;
        let height = read("height of the launch", Kind::Length, &self.height)?;
        let floor = if self.target_height.trim().is_empty() { "0 m" } else { &self.target_height };
        let target = read("height of the target", Kind::Length, floor)?;
        Expected::with_rig(speed, angle, height, target, "the stated speed and angle".to_owned(), rig)
            .map_err(|error| Refusal::wrong(sentence(&error.to_string()), "Check the ball's mass and diameter."))
    }
}

/// Reads a quantity with its unit.
pub fn read(name: &str, kind: Kind, text: &str) -> Result<Estimate, Refusal> {
    Reading::parse(kind, &unit_mark(text))
        .map(|reading| reading.estimate())
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
            latitude: Some("52,4".into()),
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
