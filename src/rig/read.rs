//! From the text of `rig.toml` to a validated [`Rig`]: first what was typed, then what it means.

use serde::Deserialize;
use toml::Value;

use super::text;
use super::{
    Air, Ball, CameraSetting, Card, Launcher, Place, ReadoutDirection, Rectangle, Rig, RigError, Scale, ScaleLine,
    Stated, StatedLength, TextError, sport_ball,
};
use crate::quantity::Kind;
use crate::units::PixelPoint;

/// Leaves are taken as they stand: what is wrong with one is said by its name and not by the file's grammar.
#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct TypedRig {
    capture_rate: Option<Value>,
    scale: TypedScale,
    ball: TypedBall,
    camera: TypedCamera,
    place: TypedPlace,
    launcher: TypedLauncher,
    air: TypedAir,
    card: TypedCard,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default, expecting = "a section, `[scale]` on a line of its own")]
struct TypedScale {
    lengths: Option<Value>,
    horizontal: Option<Value>,
    vertical: Option<Value>,
    rectangle: Option<Value>,
    end_uncertainty: Option<Value>,
    offset: Option<Value>,
    ball: Option<Value>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct TypedRectangle {
    corners: Option<Value>,
    width: Option<Value>,
    height: Option<Value>,
    upright: Option<Value>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default, expecting = "a section, `[ball]` on a line of its own")]
struct TypedBall {
    sport: Option<Value>,
    diameter: Option<Value>,
    mass: Option<Value>,
    drag_coefficient: Option<Value>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default, expecting = "a section, `[camera]` on a line of its own")]
struct TypedCamera {
    distance: Option<Value>,
    yaw: Option<Value>,
    pitch: Option<Value>,
    roll: Option<Value>,
    plumb: Option<Value>,
    focal_length: Option<Value>,
    principal_point: Option<Value>,
    k1: Option<Value>,
    k2: Option<Value>,
    readout: Option<Value>,
    readout_direction: Option<Value>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default, expecting = "a section, `[place]` on a line of its own")]
struct TypedPlace {
    latitude: Option<Value>,
    height: Option<Value>,
    g: Option<Value>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default, expecting = "a section, `[launcher]` on a line of its own")]
struct TypedLauncher {
    name: Option<Value>,
    setting: Option<Value>,
    point: Option<Value>,
    height: Option<Value>,
    speed: Option<Value>,
    angle: Option<Value>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default, expecting = "a section, `[air]` on a line of its own")]
struct TypedAir {
    temperature: Option<Value>,
    pressure: Option<Value>,
    humidity: Option<Value>,
    density: Option<Value>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default, expecting = "a section, `[card]` on a line of its own")]
struct TypedCard {
    measured_bar: Option<Value>,
    ignore: Option<Value>,
}

pub(super) fn rig(text: &str) -> Result<Rig, RigError> {
    let typed: TypedRig =
        toml::from_str(text).map_err(|error| RigError::Form { message: error.to_string().trim_end().to_owned() })?;
    Ok(Rig {
        capture_rate_hz: quantity("capture_rate", typed.capture_rate, Kind::Rate, Range::between(1.0, 1e5))?,
        scale: scale(typed.scale)?,
        ball: ball(typed.ball)?,
        camera: camera(typed.camera)?,
        place: place(typed.place)?,
        launcher: launcher(typed.launcher)?,
        air: air(typed.air)?,
        card: Card {
            measured_bar: measured_bar(typed.card.measured_bar)?,
            ignore: flag("card.ignore", typed.card.ignore)?,
        },
    })
}

/// The printed bar as a ruler shows it: no printer shrinks or stretches a page by a fifth.
fn measured_bar(typed: Option<Value>) -> Result<Option<StatedLength>, RigError> {
    let bar = length("card.measured_bar", typed)?;
    match bar.filter(|bar| !(0.12..=0.18).contains(&bar.length.metres())) {
        None => Ok(bar),
        Some(_) => Err(RigError::Field {
            field: "card.measured_bar".to_owned(),
            problem: "the value lies outside 120 to 180 mm".to_owned(),
            remedy: "measure the bar at the card's lower edge, which is printed 150.0 mm long, and mind the unit"
                .to_owned(),
        }),
    }
}

fn scale(typed: TypedScale) -> Result<Scale, RigError> {
    let end = quantity("scale.end_uncertainty", typed.end_uncertainty, Kind::Pixels, Range::between(1e-3, 1e3))?;
    Ok(Scale {
        lengths: lengths(typed.lengths)?,
        horizontal: optional("scale.horizontal", typed.horizontal, A_LENGTH, scale_line)?,
        vertical: optional("scale.vertical", typed.vertical, A_LENGTH, scale_line)?,
        rectangle: typed.rectangle.map(rectangle).transpose()?,
        end_uncertainty_px: end.map(|stated| stated.value),
        offset_m: quantity("scale.offset", typed.offset, Kind::Length, Range::between(-100.0, 100.0))?,
        ball: flag("scale.ball", typed.ball)?,
    })
}

const A_LENGTH: &str = "`\"120,640 to 880,642 = 0.500 m\"`";
const A_POINT: &str = "`\"120,640\"`";

/// One length, or a list of them.
fn lengths(typed: Option<Value>) -> Result<Vec<ScaleLine>, RigError> {
    let field = "scale.lengths";
    let lines = match typed {
        None => Vec::new(),
        Some(Value::Array(lines)) => lines,
        Some(one) => vec![one],
    };
    lines.into_iter().map(|line| scale_line(field, &in_quotes(field, line, A_LENGTH)?)).collect()
}

fn rectangle(typed: Value) -> Result<Rectangle, RigError> {
    let field = "scale.rectangle";
    let table = match typed {
        Value::Table(table) => Ok(table),
        other => Err(wrong(field, format!("`{other}` is not a rectangle"), A_RECTANGLE)),
    }?;
    let typed: TypedRectangle =
        table.try_into().map_err(|error: toml::de::Error| wrong(field, error.message().to_owned(), A_RECTANGLE))?;
    let missing = |name: &str| wrong(&format!("{field}.{name}"), "is missing".to_owned(), A_RECTANGLE);
    let field = "scale.rectangle.corners";
    let corners = in_quotes(field, typed.corners.ok_or_else(|| missing("corners"))?, CORNER_ORDER)?;
    let points = text::parse_points(&corners).map_err(|error| of_text(field, error))?;
    let corners: [PixelPoint; 4] = points.try_into().map_err(|points: Vec<PixelPoint>| RigError::Field {
        field: field.to_owned(),
        problem: format!("a rectangle has 4 corners, and {} are given", points.len()),
        remedy: CORNER_ORDER.to_owned(),
    })?;
    if !goes_round_anticlockwise(&corners) {
        return Err(RigError::Field {
            field: field.to_owned(),
            problem: "the corners do not go round a rectangle anticlockwise".to_owned(),
            remedy: CORNER_ORDER.to_owned(),
        });
    }
    Ok(Rectangle {
        corners,
        width: required_length("scale.rectangle.width", typed.width.ok_or_else(|| missing("width"))?)?,
        height: required_length("scale.rectangle.height", typed.height.ok_or_else(|| missing("height"))?)?,
        upright: flag("scale.rectangle.upright", typed.upright)?,
    })
}

const A_RECTANGLE: &str = "write it as `{ corners = \"412,1011 1432,1011 1508,352 412,301\", width = \"90 cm\", height = \"60 cm\" }`, with \
                           `upright = true` where its sides hang plumb";

const CORNER_ORDER: &str = "give bottom left, bottom right, top right, top left, in pixels with blanks between them, such as \
                            `412,1011 1432,1011 1508,352 412,301`";

/// Whether each corner turns left as seen in the picture, whose y points down.
fn goes_round_anticlockwise(corners: &[PixelPoint; 4]) -> bool {
    (0..4).all(|i| {
        let (a, b, c) = (corners[i], corners[(i + 1) % 4], corners[(i + 2) % 4]);
        (b.x - a.x) * (c.y - b.y) - (b.y - a.y) * (c.x - b.x) < 0.0
    })
}

fn ball(typed: TypedBall) -> Result<Ball, RigError> {
    let stated_diameter = length("ball.diameter", typed.diameter)?;
    let stated_mass = quantity("ball.mass", typed.mass, Kind::Mass, Range::between(1e-6, 100.0))?;
    let (mut diameter, mut mass_kg) = (None, None);
    let sport = words("ball.sport", typed.sport, "`\"tennis\"`")?;
    if let Some(sport) = &sport {
        let known = sport_ball(sport).ok_or_else(|| unknown_sport(sport))?;
        let (d, u) = known.diameter_m();
        diameter = crate::units::Length::from_metres(d)
            .map(|length| StatedLength { length, standard_uncertainty_m: (u > 0.0).then_some(u) });
        mass_kg = known.mass_kg().map(|(m, u)| Stated { value: m, standard_uncertainty: (u > 0.0).then_some(u) });
    }
    Ok(Ball {
        sport,
        diameter: stated_diameter.or(diameter),
        mass_kg: stated_mass.or(mass_kg),
        drag_coefficient: quantity(
            "ball.drag_coefficient",
            typed.drag_coefficient,
            Kind::Number,
            Range::between(0.0, 3.0),
        )?,
    })
}

fn unknown_sport(sport: &str) -> RigError {
    let known = super::SPORT_BALLS.iter().map(|ball| ball.sport).collect::<Vec<_>>().join(", ");
    RigError::Field {
        field: "ball.sport".to_owned(),
        problem: format!("lobline doesn't know the ball of `{sport}`"),
        remedy: format!("take one of {known}, or give `diameter` and `mass`"),
    }
}

fn camera(typed: TypedCamera) -> Result<CameraSetting, RigError> {
    let tilt = Range::between(-60.0, 60.0);
    Ok(CameraSetting {
        distance: length("camera.distance", typed.distance)?,
        yaw_deg: quantity("camera.yaw", typed.yaw, Kind::Angle, tilt)?,
        pitch_deg: quantity("camera.pitch", typed.pitch, Kind::Angle, tilt)?,
        roll_deg: quantity("camera.roll", typed.roll, Kind::Angle, Range::between(-180.0, 180.0))?,
        plumb: optional("camera.plumb", typed.plumb, "`\"640,90 to 642,600\"`", plumb)?,
        focal_length_px: quantity("camera.focal_length", typed.focal_length, Kind::Pixels, Range::between(10.0, 1e6))?,
        principal_point_px: optional("camera.principal_point", typed.principal_point, A_POINT, point)?,
        k1: quantity("camera.k1", typed.k1, Kind::Number, Range::between(-2.0, 2.0))?,
        k2: quantity("camera.k2", typed.k2, Kind::Number, Range::between(-4.0, 4.0))?,
        // A video picture is read out within one frame: 0.1 s would be ten frames a second.
        readout_s: quantity("camera.readout", typed.readout, Kind::Time, Range::between(0.0, 0.1))?,
        readout_direction: optional("camera.readout_direction", typed.readout_direction, "`\"down\"`", direction)?,
    })
}

fn plumb(field: &str, line: &str) -> Result<(PixelPoint, PixelPoint), RigError> {
    text::parse_segment(line).map_err(|error| {
        let problem = match error {
            TextError::NotALine(text) => format!("`{text}` is not two points of the picture"),
            other => other.to_string(),
        };
        wrong(field, problem, "give two points of a plumb line in pixels, such as `640,90 to 642,600`")
    })
}

fn point(field: &str, text: &str) -> Result<PixelPoint, RigError> {
    text::parse_point(text).map_err(|error| of_text(field, error))
}

fn direction(field: &str, text: &str) -> Result<ReadoutDirection, RigError> {
    Ok(match text {
        "down" => ReadoutDirection::Down,
        "up" => ReadoutDirection::Up,
        "right" => ReadoutDirection::Right,
        "left" => ReadoutDirection::Left,
        other => {
            let remedy = "write `down`, `up`, `right` or `left`: which way the rows follow each other in the picture";
            return Err(wrong(field, format!("`{other}` is not a direction of the picture"), remedy));
        }
    })
}

fn place(typed: TypedPlace) -> Result<Place, RigError> {
    Ok(Place {
        latitude_deg: quantity("place.latitude", typed.latitude, Kind::Angle, Range::between(-90.0, 90.0))?,
        height_m: quantity("place.height", typed.height, Kind::Length, Range::between(-500.0, 9000.0))?,
        g_m_per_s2: quantity("place.g", typed.g, Kind::Acceleration, Range::between(0.1, 30.0))?,
    })
}

fn launcher(typed: TypedLauncher) -> Result<Launcher, RigError> {
    Ok(Launcher {
        name: words("launcher.name", typed.name, "`\"wooden catapult\"`")?,
        setting: words("launcher.setting", typed.setting, "`\"notch 3\"`")?,
        point_px: optional("launcher.point", typed.point, A_POINT, point)?,
        height: length("launcher.height", typed.height)?,
        speed_m_per_s: quantity("launcher.speed", typed.speed, Kind::Speed, Range::between(1e-3, 300.0))?,
        angle_deg: quantity("launcher.angle", typed.angle, Kind::Angle, Range::between(-90.0, 90.0))?,
    })
}

fn air(typed: TypedAir) -> Result<Air, RigError> {
    Ok(Air {
        temperature_celsius: quantity(
            "air.temperature",
            typed.temperature,
            Kind::Temperature,
            Range::between(-60.0, 60.0),
        )?,
        pressure_pa: quantity("air.pressure", typed.pressure, Kind::Pressure, Range::between(3e4, 1.2e5))?,
        relative_humidity: quantity("air.humidity", typed.humidity, Kind::Share, Range::between(0.0, 1.0))?,
        density_kg_per_m3: quantity("air.density", typed.density, Kind::Density, Range::between(0.0, 10.0))?,
    })
}

/// Values that a field may take, ends included: what exists, with room to spare. Common practice, no source.
#[derive(Clone, Copy)]
struct Range {
    lowest: f64,
    highest: f64,
}

impl Range {
    const fn between(lowest: f64, highest: f64) -> Self {
        Self { lowest, highest }
    }

    fn holds(self, value: f64) -> bool {
        (self.lowest..=self.highest).contains(&value)
    }

    fn words(self, kind: Kind) -> String {
        format!("{} to {}", kind.in_first_unit(self.lowest), kind.in_first_unit(self.highest))
    }

    /// Whether nought and what is below it don't exist: then an uncertainty as large as the value says nothing.
    fn is_positive(self) -> bool {
        self.lowest > 0.0
    }
}

/// Lengths of what is measured or thrown, m.
const LENGTHS_M: Range = Range::between(1e-4, 1e3);

fn not_larger_than_itself(field: &str, value: f64, u: Option<f64>) -> Result<(), RigError> {
    match u {
        Some(u) if u >= value => Err(wrong(
            field,
            "the standard uncertainty is as large as the value or larger".to_owned(),
            "check both numbers; `3.00(2) m` means 0.02 m",
        )),
        _ => Ok(()),
    }
}

fn quantity(field: &str, value: Option<Value>, kind: Kind, range: Range) -> Result<Option<Stated>, RigError> {
    let Some(value) = value else { return Ok(None) };
    let stated = text::parse_quantity(&as_text(value), kind).map_err(|error| of_text(field, error))?;
    if !range.holds(stated.value) {
        return Err(outside(field, range, kind));
    }
    if range.is_positive() {
        not_larger_than_itself(field, stated.value, stated.standard_uncertainty)?;
    }
    Ok(Some(stated))
}

fn outside(field: &str, range: Range, kind: Kind) -> RigError {
    wrong(field, format!("the value lies outside {}", range.words(kind)), "check the number, its sign and its unit")
}

fn length(field: &str, value: Option<Value>) -> Result<Option<StatedLength>, RigError> {
    value.map(|value| required_length(field, value)).transpose()
}

fn required_length(field: &str, value: Value) -> Result<StatedLength, RigError> {
    checked_length(field, text::parse_length(&as_text(value)).map_err(|error| of_text(field, error))?)
}

fn checked_length(field: &str, stated: StatedLength) -> Result<StatedLength, RigError> {
    let metres = stated.length.metres();
    if !LENGTHS_M.holds(metres) {
        return Err(outside(field, LENGTHS_M, Kind::Length));
    }
    not_larger_than_itself(field, metres, stated.standard_uncertainty_m)?;
    Ok(stated)
}

fn scale_line(field: &str, line: &str) -> Result<ScaleLine, RigError> {
    let line = ScaleLine::parse(line).map_err(|error| of_text(field, error))?;
    Ok(ScaleLine { length: checked_length(field, line.length)?, ..line })
}

/// A field whose text is read by `read`; `example` shows how it is written.
fn optional<T>(
    field: &str,
    value: Option<Value>,
    example: &str,
    read: impl Fn(&str, &str) -> Result<T, RigError>,
) -> Result<Option<T>, RigError> {
    words(field, value, example)?.map(|text| read(field, &text)).transpose()
}

fn words(field: &str, value: Option<Value>, example: &str) -> Result<Option<String>, RigError> {
    value.map(|value| in_quotes(field, value, example)).transpose()
}

/// The text of a field that can be nothing else.
fn in_quotes(field: &str, value: Value, example: &str) -> Result<String, RigError> {
    match value {
        Value::String(text) => Ok(text),
        other => Err(wrong(
            field,
            format!("`{other}` is not a text in quotes"),
            &format!("write it in quotes, as in {example}"),
        )),
    }
}

fn flag(field: &str, value: Option<Value>) -> Result<bool, RigError> {
    match value {
        None => Ok(false),
        Some(Value::Boolean(flag)) => Ok(flag),
        Some(other) => {
            Err(wrong(field, format!("`{other}` is neither true nor false"), "write `true` or `false`, without quotes"))
        }
    }
}

fn wrong(field: &str, problem: String, remedy: &str) -> RigError {
    RigError::Field { field: field.to_owned(), problem, remedy: remedy.to_owned() }
}

/// A bare number is read like its text, so that `latitude = 52.4` gets the same message about its unit as `"52.4"`.
fn as_text(value: Value) -> String {
    match value {
        Value::String(text) => text,
        other => other.to_string(),
    }
}

fn of_text(field: &str, error: TextError) -> RigError {
    RigError::Field { field: field.to_owned(), problem: error.to_string(), remedy: error.hint() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rig in the module's own documentation must be one.
    #[test]
    fn the_documented_rig_is_read() {
        let source = include_str!("mod.rs");
        let start = source.find("//! ```toml").unwrap();
        let end = start + 5 + source[start + 5..].find("//! ```\n").unwrap();
        let toml: String =
            source[start..end].lines().skip(1).map(|line| line.trim_start_matches("//!").to_owned() + "\n").collect();
        let rig = Rig::parse(&toml).unwrap();
        assert_eq!(rig.capture_rate_hz, Some(Stated::plain(240.0)));
        assert_eq!(rig.camera.readout_s, Some(Stated::with_u(0.015, 0.001)));
        assert_eq!(rig.scale.offset_m, Some(Stated::plain(-0.1)));
        assert_eq!(rig.ball.diameter.unwrap().length.metres(), 0.07);
        assert_eq!(rig.camera.readout_direction, Some(ReadoutDirection::Down));
        assert_eq!(rig.launcher.setting.as_deref(), Some("notch 3"));
    }

    fn field_of(toml: &str) -> String {
        match Rig::parse(toml) {
            Err(RigError::Field { field, .. }) => field,
            other => panic!("{toml}: {other:?}"),
        }
    }

    #[test]
    fn messages_name_the_field() {
        assert_eq!(field_of("[camera]\ndistance = 3.0"), "camera.distance");
        assert_eq!(field_of("[camera]\nreadout = '15'"), "camera.readout");
        assert_eq!(field_of("[camera]\nreadout = '1.5 s'"), "camera.readout");
        assert_eq!(field_of("[ball]\nsport = 'bucket lobbing'"), "ball.sport");
        assert_eq!(field_of("[place]\nlatitude = '95 deg'"), "place.latitude");
        assert_eq!(field_of("[scale]\nlengths = ['1,2 to 3,4']"), "scale.lengths");
        let rectangle = "[scale.rectangle]\nwidth='1 m'\nheight='1 m'\ncorners=";
        assert_eq!(field_of(&format!("{rectangle}'0,9 9,9 9,0'")), "scale.rectangle.corners");
        assert_eq!(field_of(&format!("{rectangle}'0,0 9,0 9,9 0,9'")), "scale.rectangle.corners");
    }

    /// A value of the wrong kind is told by its field, too, and with how to write it.
    #[test]
    fn values_of_the_wrong_kind_are_told_by_their_field() {
        for (toml, field, remedy) in [
            ("[scale]\nlengths = [5]", "scale.lengths", "in quotes"),
            ("[scale]\nlengths = 5", "scale.lengths", "in quotes"),
            ("[scale]\nrectangle = 5", "scale.rectangle", "corners ="),
            (
                "[scale]\nrectangle = { corners = '0,9 9,9 9,0 0,0', width = '1 m' }",
                "scale.rectangle.height",
                "height =",
            ),
            ("[scale]\nrectangle = { corner = '0,9' }", "scale.rectangle", "corners ="),
            ("[scale]\nball = 'yes'", "scale.ball", "without quotes"),
            ("[card]\nignore = 1", "card.ignore", "without quotes"),
            ("[ball]\nsport = 3", "ball.sport", "tennis"),
            ("[camera]\nplumb = '3,4'", "camera.plumb", "two points"),
            ("[camera]\nplumb = 7", "camera.plumb", "640,90 to"),
            ("[camera]\nreadout_direction = 'north'", "camera.readout_direction", "`down`"),
            ("[camera]\nk1 = 'large'", "camera.k1", "write a number"),
            ("[launcher]\npoint = [1, 2]", "launcher.point", "120,640"),
        ] {
            match Rig::parse(toml) {
                Err(error @ RigError::Field { .. }) => {
                    let told = error.to_string();
                    assert!(told.starts_with(&format!("`{field}` in the rig")), "{toml}: {told}");
                    assert!(error.hint().contains(remedy), "{toml}: {}", error.hint());
                }
                other => panic!("{toml}: {other:?}"),
            }
        }
        // One length needs no list.
        let one = Rig::parse("[scale]\nlengths = '120,640 to 880,642 = 0.500 m'").unwrap();
        assert_eq!(one.scale.lengths.len(), 1);
    }

    /// What no camera, ball or launcher is, and numbers whose doubt is larger than themselves.
    #[test]
    fn values_that_do_not_exist_are_refused_by_their_field() {
        for (toml, field) in [
            ("capture_rate = '1e9 Hz'", "capture_rate"),
            ("capture_rate = '0.5 Hz'", "capture_rate"),
            ("capture_rate = '1(9) Hz'", "capture_rate"),
            ("[scale]\nlengths = ['1,2 to 3,4 = 5000 m']", "scale.lengths"),
            ("[scale]\nlengths = ['1,2 to 300,4 = 1 m u 2 m']", "scale.lengths"),
            ("[scale]\nend_uncertainty = '1e9 px'", "scale.end_uncertainty"),
            ("[ball]\ndiameter = '2000 m'", "ball.diameter"),
            ("[ball]\nmass = '1e9 kg'", "ball.mass"),
            ("[camera]\ndistance = '90000 m'", "camera.distance"),
            ("[camera]\nfocal_length = '1 px'", "camera.focal_length"),
            ("[place]\ng = '980 m/s2'", "place.g"),
            ("[launcher]\nspeed = '3000 m/s'", "launcher.speed"),
        ] {
            assert_eq!(field_of(toml), field, "{toml}");
        }
    }

    #[test]
    fn unknown_fields_are_refused() {
        let error = Rig::parse("[camera]\nreadut = '15 ms'").unwrap_err();
        assert!(matches!(&error, RigError::Form { message } if message.contains("readut")), "{error}");
    }

    #[test]
    fn a_stated_diameter_goes_before_the_sports() {
        let rig = Rig::parse("[ball]\nsport = 'tennis'\ndiameter = '66.5 mm'").unwrap();
        assert_eq!(rig.ball.diameter.unwrap().length.metres(), 0.0665);
        // Middle of 56.0 g and 59.4 g (fixtures/known_lengths.toml).
        assert!((rig.ball.mass_kg.unwrap().value - 0.0577).abs() < 1e-12);
    }

    /// Every field that is read has its line in the module's comment, with an example.
    #[test]
    fn every_field_is_documented() {
        let typed = include_str!("read.rs");
        let comment: String =
            include_str!("mod.rs").lines().take_while(|line| line.starts_with("//!")).collect::<Vec<_>>().join("\n");
        let mut fields = 0;
        for body in typed.split("\nstruct Typed").skip(1).map(|text| text.split("\n}").next().unwrap()) {
            for field in body.lines().skip(1).filter_map(|line| line.trim().split_once(": ")).map(|(name, _)| name) {
                let part = format!("[{field}]");
                let has = comment.contains(&format!("//! {field} = ")) || comment.contains(&part);
                assert!(has || comment.contains(&format!(".{field}]")), "`{field}` isn't in the comment");
                fields += 1;
            }
        }
        // All of them, so that the search itself can't fail unseen.
        assert!(fields > 35, "{fields}");
    }

    #[test]
    fn fuzz_rig() {
        crate::fuzz::fuzz("rig", Vec::new(), |bytes| {
            let Ok(text) = std::str::from_utf8(bytes) else { return };
            match Rig::parse(text) {
                // What is taken comes back from the measurement file as it was.
                Ok(rig) => {
                    let again: Rig = serde_json::from_str(&serde_json::to_string(&rig).unwrap()).unwrap();
                    assert_eq!(again, rig);
                }
                Err(error) => assert!(!error.to_string().is_empty() && !error.hint().is_empty()),
            }
        });
    }
}
