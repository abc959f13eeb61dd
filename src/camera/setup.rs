//! From a rig and a view of it to the numbers that the camera is made of, each with its uncertainty.

use nalgebra::{DVector, SVector};

use super::View;
use super::card::{BAR_M, FoundCard, Hanging};
use super::error::CameraError;
use super::homography;
use super::inputs::{CameraInput, Distribution, InputKind, Knob};
use super::marks::{Placed, Scene};
use super::solve::{LengthCheck, Level, Line, ScaleSource, Setup, Solved};
use crate::rig::{Rectangle, Rig, ScaleLine, Stated, StatedLength};
use crate::units::{MetrePoint, PixelPoint};
use crate::warning::Warning;

/// What is taken for an input that the rig doesn't state. Values without a source are common practice.
pub(super) mod usual {
    /// Standard uncertainty of a coordinate marked by hand, px; common practice, no source.
    pub const END_PX: f64 = 1.0;
    /// A millimetre scale read at both ends: √2 · 1 mm/√12 (JCGM 100:2008, F.2.2.1), m.
    pub const LENGTH_M: f64 = 0.41e-3;
    /// Standard uncertainty of a scale held where the ball flies, by eye: ±5 cm, rectangular; common practice, no source.
    pub const OFFSET_M: f64 = 0.05 / 1.732_050_807_568_877_2;
    /// A camera set square by eye, degrees; common practice, no source.
    pub const TILT_DEG: f64 = 2.0;
    /// An attitude that was stated without its uncertainty, degrees; common practice, no source.
    pub const STATED_TILT_DEG: f64 = 0.5;
    /// A phone stood up without a spirit level, degrees; common practice, no source.
    pub const ROLL_DEG: f64 = 1.0;
    /// Focal length over the longer side of a phone's picture: a 26 mm lens on the 36 mm width of the old film, with the crop
    /// that video takes; common practice, no source.
    pub const FOCAL_SHARE: f64 = 0.8;
    /// Relative standard uncertainty of that share; common practice, no source.
    pub const FOCAL_SPREAD: f64 = 0.15;
    /// k1 of a phone's main camera after its own correction: a bend of 1.3 % at 0.8 of half the width, where r² = 0.25; the median
    /// of 516 community lens profiles.
    pub const K1: f64 = 0.05;
    /// Longest usual readout of a phone's video picture, s: the upper end of a community set of 89 recent phones.
    pub const READOUT_S: f64 = 0.020;
    /// A readout that was stated without its uncertainty, s; common practice, no source.
    pub const STATED_READOUT_S: f64 = 1e-3;
    /// A tape held to a phone finds its lens to a centimetre or two, m; common practice, no source.
    pub const DISTANCE_M: f64 = 0.02;
    /// What a corner's place may be off by besides the noise, px: paper that isn't flat, compression.
    pub const CORNER_PX: f64 = 0.05;
    /// How far from square a camera may stand when marks tell about it, degrees; common practice, no source.
    pub const MARKS_TILT_DEG: f64 = 5.0;
    /// Size of a print at 100 % whose bar nobody measured, relative; common practice, no source.
    pub const PRINT: f64 = 0.003;
    /// Width over height of such a print, relative: the bar shows one of them; common practice, no source.
    pub const PRINT_ASPECT: f64 = 0.002;
    /// Reading a ruler at both ends of the bar, m.
    pub const BAR_M: f64 = 0.2e-3;
    /// A card hung upright by eye, degrees; common practice, no source.
    pub const HANGING_DEG: f64 = 0.5;
    /// A card whose edges lean farther than this from the picture's isn't taken to hang upright, degrees; common practice, no source.
    pub const SLANTED_DEG: f64 = 15.0;
    /// Edges of a ball, each: threshold, glare and gamma shift them by up to this much, px.
    pub const BALL_EDGE_PX: f64 = 0.25;
}

/// A set-up and its uncertain inputs, knob by knob.
pub(super) struct Prepared {
    pub setup: Setup,
    pub inputs: Vec<(CameraInput, Knob)>,
    /// How the scale came about, in words.
    pub scale_words: String,
    pub level_words: String,
}

pub(super) fn prepare(rig: &Rig, view: &View) -> Result<Prepared, CameraError> {
    check_points(rig, view)?;
    let mut inputs = Vec::new();
    let (scale, scale_words) = scale_source(rig, view, &mut inputs)?;
    let (level, level_words) = level(rig, view, &mut inputs);
    let focal = rig.camera.focal_length_px;
    let lens_stated = rig.camera.k1.is_some() || rig.camera.k2.is_some();
    if lens_stated && focal.is_none() {
        return Err(CameraError::LensWithoutFocalLength);
    }
    let value = |stated: Option<Stated>| stated.map_or(0.0, |s| s.value);
    let longer = view.width.max(view.height) as f64;
    let setup = Setup {
        width: view.width,
        height: view.height,
        focal_px: focal.map_or(usual::FOCAL_SHARE * longer, |f| f.value),
        focal_from_distance: focal.is_none() && rig.camera.distance.is_some(),
        principal: rig.camera.principal_point_px.unwrap_or(view.centre()),
        k1: value(rig.camera.k1),
        k2: value(rig.camera.k2),
        yaw: value(rig.camera.yaw_deg).to_radians(),
        pitch: value(rig.camera.pitch_deg).to_radians(),
        level,
        level_turn: 0.0,
        distance_m: rig.camera.distance.map(|d| d.length.metres()),
        offset_m: value(rig.scale.offset_m),
        readout_s: readout(rig, view).map_or(0.0, |(readout_s, _)| readout_s),
        direction: match by_lamps(rig, view) {
            Some(_) => view.rows,
            None => rig.camera.readout_direction.unwrap_or(view.rows),
        },
        scale,
    };
    depth_inputs(rig, &setup, &mut inputs);
    tilt_inputs(rig, &setup, &mut inputs);
    lens_inputs(rig, &setup, &mut inputs);
    readout_input(rig, view, &mut inputs);
    Ok(Prepared { setup, inputs, scale_words, level_words })
}

/// An end of a stated length that lies beyond the picture.
pub(super) fn end_beyond(rig: &Rig, view: &View) -> Option<PixelPoint> {
    let (w, h) = (view.width as f64, view.height as f64);
    let outside = |p: &PixelPoint| p.x < -2.0 || p.y < -2.0 || p.x > w + 1.0 || p.y > h + 1.0;
    rig.scale.lengths.iter().flat_map(|line| [line.from, line.to]).find(outside)
}

/// How far beyond the picture the end of a length may lie, of its longer side.
const CUT_OFF: f64 = 0.25;

fn check_points(rig: &Rig, view: &View) -> Result<(), CameraError> {
    let of = |field: &'static str, lines: &[ScaleLine]| {
        lines.iter().flat_map(|line| [line.from, line.to]).map(|at| (field, at)).collect::<Vec<_>>()
    };
    let corners = rig.scale.rectangle.iter().flat_map(|rectangle| rectangle.corners);
    let plumb = rig.camera.plumb.iter().flat_map(|(a, b)| [*a, *b]);
    let mut points = of("scale.lengths", &rig.scale.lengths);
    points.extend(of("scale.horizontal", rig.scale.horizontal.as_slice()));
    points.extend(of("scale.vertical", rig.scale.vertical.as_slice()));
    points.extend(corners.map(|at| ("scale.rectangle.corners", at)));
    points.extend(plumb.map(|at| ("camera.plumb", at)));
    points.extend(rig.launcher.point_px.map(|at| ("launcher.point", at)));
    let (width, height) = (view.width, view.height);
    let (w, h) = (width as f64, height as f64);
    // Half a pixel over the centre of the outermost pixel is still in the picture; a hand may slip a little farther. A length goes on
    // beyond a narrow picture that was cut out of a wider one.
    let beyond = |field: &str| if field == "scale.lengths" { CUT_OFF * w.max(h) } else { 2.0 };
    let inside = |field: &str, p: PixelPoint| {
        let most = beyond(field);
        p.x > -most && p.y > -most && p.x < w - 1.0 + most && p.y < h - 1.0 + most
    };
    match points.into_iter().find(|(field, at)| !inside(field, *at)) {
        None => Ok(()),
        Some((field, PixelPoint { x, y })) => Err(CameraError::PointOutside { field, x, y, width, height }),
    }
}

pub(super) type Inputs = Vec<(CameraInput, Knob)>;

fn scale_source(rig: &Rig, view: &View, inputs: &mut Inputs) -> Result<(ScaleSource, String), CameraError> {
    if !rig.card.ignore && !view.cards.is_empty() {
        return Ok(marks(rig, view, inputs));
    }
    if let Some(rectangle) = &rig.scale.rectangle {
        if spans_half(&rectangle.corners, view) {
            return Ok(rectangle_map(rig, rectangle, inputs));
        }
        return Ok(lengths(rectangle_sides(rectangle, end_px(rig)), "a rectangle's four sides", inputs));
    }
    let mut lines: Vec<Line> = rig.scale.all_lines().map(|line| stated_line(line, end_px(rig))).collect();
    let ball = rig.scale.ball || lines.is_empty();
    if ball && let Some(line) = ball_line(rig, view)? {
        lines.push(line);
    }
    match (lines.len(), rig.scale.ball) {
        (0, _) => Err(CameraError::NoScale),
        (1, _) if lines[0].in_flight_plane => {
            let words = ball_words(&lines[0]);
            Ok(lengths(lines, &words, inputs))
        }
        (1, _) => Ok(lengths(lines, "one marked length", inputs)),
        (n, _) => Ok(lengths(lines, &format!("{n} known lengths adjusted together"), inputs)),
    }
}

/// How good a scale the ball is: its edges in the picture are known to a quarter of a pixel each at best.
fn ball_words(ball: &Line) -> String {
    let diameter_px = ball.from.distance(ball.to);
    let relative = (ball.u_ends_px / diameter_px).hypot(ball.u_length_m / ball.length_m);
    format!("the ball's own diameter, which at {diameter_px:.0} px is good to {:.1} %", 200.0 * relative)
}

fn end_px(rig: &Rig) -> f64 {
    rig.scale.end_uncertainty_px.unwrap_or(usual::END_PX)
}

/// The marks of all cards in view, with what is known or usual of the camera.
fn marks(rig: &Rig, view: &View, inputs: &mut Inputs) -> (ScaleSource, String) {
    let known = |stated: Option<Stated>, usual_u: f64| {
        let u = stated.map_or(usual_u, |s| s.standard_uncertainty.unwrap_or(usual::STATED_TILT_DEG));
        (stated.map_or(0.0, |s| s.value).to_radians(), u.to_radians())
    };
    let focal = rig.camera.focal_length_px;
    let focal_px = focal.map_or(usual::FOCAL_SHARE * view.width.max(view.height) as f64, |f| f.value);
    let u_focal = focal.map_or(usual::FOCAL_SPREAD, |f| f.standard_uncertainty.map_or(0.01, |u| u / f.value));
    let marks = || view.cards.iter().flat_map(|card| &card.marks);
    let count = marks().count();
    let noise = marks().map(|mark| mark.corner_sigma_px.powi(2)).sum::<f64>() / count.max(1) as f64;
    let mut scene = Scene {
        cards: view.cards.iter().map(FoundCard::upright_corners).collect(),
        sigma_px: noise.sqrt().hypot(usual::CORNER_PX),
        print: rig.card.measured_bar.map_or(1.0, |bar| bar.length.metres() / BAR_M),
        aspect_u: usual::PRINT_ASPECT,
        sideways: view.cards.iter().map(|card| card.hanging().is_some_and(|h| h.quarter_turns % 2 == 1)).collect(),
        tilt: [known(rig.camera.yaw_deg, usual::MARKS_TILT_DEG), known(rig.camera.pitch_deg, usual::MARKS_TILT_DEG)],
        ln_focal: (focal_px.ln(), u_focal),
        distance_m: rig
            .camera
            .distance
            .map(|d| (d.length.metres(), d.standard_uncertainty_m.unwrap_or(usual::DISTANCE_M))),
        start: None,
        shift: DVector::zeros(0),
        tilt_u: [1.0; 2],
    };
    scene.shift = DVector::zeros(scene.unknowns());
    marks_inputs(rig, &scene, inputs);
    let names: Vec<String> = view.cards.iter().map(|card| card.name.words()).collect();
    let words = if count == 1 { "1 mark".to_owned() } else { format!("{count} marks") };
    (ScaleSource::Marks(scene), format!("{} ({words})", names.join(" and ")))
}

fn marks_inputs(rig: &Rig, scene: &Scene, inputs: &mut Inputs) {
    let bar = rig.card.measured_bar;
    let u_print = bar.map_or(usual::PRINT, |bar| bar.standard_uncertainty_m.unwrap_or(usual::BAR_M) / BAR_M);
    inputs.push((
        CameraInput {
            name: "true size of the printed card over its nominal size".to_owned(),
            kind: InputKind::ScaleLength,
            value: scene.print,
            standard_uncertainty: u_print,
            unit: "1".to_owned(),
            distribution: Distribution::Normal,
            stated: bar.is_some(),
        },
        Knob::Print,
    ));
    for mode in 0..scene.unknowns() {
        inputs.push((
            CameraInput {
                name: format!("marks and place of the camera, part {} of {}", mode + 1, scene.unknowns()),
                kind: InputKind::ScaleMarks,
                value: 0.0,
                standard_uncertainty: 1.0,
                unit: "1".to_owned(),
                distribution: Distribution::Normal,
                stated: true,
            },
            Knob::MarksMode(mode),
        ));
    }
}

/// Calls the first two parts of what marks say by their names, now that they are placed: a flight shows tilt as well, and a fit
/// can sharpen what a small card leaves open.
pub(super) fn name_tilts(scene: &mut Scene, placed: &Placed, inputs: &mut Inputs) {
    let Some(tilt_u) = placed.tilt_u() else { return };
    scene.tilt_u = tilt_u;
    for (input, knob) in inputs {
        let Knob::MarksMode(k @ (0 | 1)) = *knob else { continue };
        let name = ["yaw of the camera, from the marks", "pitch of the camera, from the marks"][k];
        *input = CameraInput {
            name: name.to_owned(),
            kind: InputKind::Tilt,
            value: placed.parameters[k].to_degrees(),
            standard_uncertainty: tilt_u[k].to_degrees(),
            unit: "deg".to_owned(),
            ..input.clone()
        };
        *knob = Knob::MarksTilt(k);
    }
}

/// Whether points span at least half of the flight along both axes, so that the map need not reach far beyond them.
pub(super) fn spans_half(points: &[PixelPoint], view: &View) -> bool {
    let reach = |of: fn(&PixelPoint) -> f64, points: &[PixelPoint]| {
        let values = points.iter().map(of);
        values.clone().fold(f64::MIN, f64::max) - values.fold(f64::MAX, f64::min)
    };
    let (low, high) = view.flight_box.unwrap_or_else(|| view.middle());
    let flight = [low, high];
    reach(|p| p.x, points) >= 0.5 * reach(|p| p.x, &flight) && reach(|p| p.y, points) >= 0.5 * reach(|p| p.y, &flight)
}

fn stated_line(line: &crate::rig::ScaleLine, end_px: f64) -> Line {
    Line {
        from: line.from,
        to: line.to,
        length_m: line.length.length.metres(),
        u_length_m: line.length.standard_uncertainty_m.unwrap_or(usual::LENGTH_M),
        u_ends_px: end_px * std::f64::consts::SQRT_2,
        stretch_px: 0.0,
        in_flight_plane: false,
    }
}

impl Setup {
    /// Lengths that were marked by hand beside what a camera made of cards sees of them.
    pub fn checks_of_lines(&self, rig: &Rig, solved: &Solved) -> Vec<LengthCheck> {
        let map = |px: PixelPoint| {
            let ideal = solved.lens.map_or(px, |lens| lens.undistort(px));
            let (x, y) = homography::apply(&solved.inverse, ideal.x, ideal.y);
            MetrePoint::new(x, y)
        };
        let check = |line: &ScaleLine| {
            let seen_m = map(line.from).distance(map(line.to));
            let stated_m = line.length.length.metres();
            let ends = end_px(rig) * std::f64::consts::SQRT_2 * seen_m / line.pixels();
            let u_length = line.length.standard_uncertainty_m.unwrap_or(usual::LENGTH_M);
            LengthCheck { stated_m, seen_m, standard_uncertainty_m: u_length.hypot(ends) }
        };
        rig.scale.all_lines().map(check).collect()
    }
}

fn rectangle_sides(rectangle: &Rectangle, end_px: f64) -> Vec<Line> {
    let c = rectangle.corners;
    let side = |from, to, length: StatedLength| stated_line(&crate::rig::ScaleLine { from, to, length }, end_px);
    vec![
        side(c[0], c[1], rectangle.width),
        side(c[3], c[2], rectangle.width),
        side(c[0], c[3], rectangle.height),
        side(c[1], c[2], rectangle.height),
    ]
}

fn ball_line(rig: &Rig, view: &View) -> Result<Option<Line>, CameraError> {
    let (Some(diameter), Some(seen)) = (rig.ball.diameter, view.ball) else {
        return match (rig.scale.ball, rig.ball.diameter) {
            (false, _) => Ok(None),
            (true, None) => Err(CameraError::BallWithoutDiameter),
            (true, Some(_)) => Err(CameraError::BallNotSeen),
        };
    };
    let half = seen.diameter_px / 2.0;
    let edges = usual::BALL_EDGE_PX * 2.0 / 3f64.sqrt();
    Ok(Some(Line {
        from: PixelPoint::new(seen.centre_px.x - half, seen.centre_px.y),
        to: PixelPoint::new(seen.centre_px.x + half, seen.centre_px.y),
        length_m: diameter.length.metres(),
        u_length_m: diameter.standard_uncertainty_m.unwrap_or(usual::LENGTH_M),
        u_ends_px: seen.standard_uncertainty_px.hypot(edges),
        stretch_px: 0.0,
        in_flight_plane: true,
    }))
}

fn lengths(lines: Vec<Line>, words: &str, inputs: &mut Inputs) -> (ScaleSource, String) {
    for (i, line) in lines.iter().enumerate() {
        let which = match (line.in_flight_plane, lines.len()) {
            (true, _) => "the ball".to_owned(),
            (false, 1) => "the scale".to_owned(),
            (false, _) => format!("length {}", i + 1),
        };
        inputs.push((
            CameraInput {
                name: if line.in_flight_plane {
                    "diameter of the ball".to_owned()
                } else {
                    format!("true length of {which}")
                },
                kind: InputKind::ScaleLength,
                value: line.length_m,
                standard_uncertainty: line.u_length_m,
                unit: "m".to_owned(),
                distribution: Distribution::Normal,
                stated: true,
            },
            Knob::LineLength(i),
        ));
        inputs.push((
            CameraInput {
                name: format!("ends of {which} in the picture"),
                kind: InputKind::ScaleMarks,
                value: line.from.distance(line.to),
                standard_uncertainty: line.u_ends_px,
                unit: "px".to_owned(),
                distribution: Distribution::Normal,
                stated: true,
            },
            Knob::LineEnds(i),
        ));
    }
    (ScaleSource::Lengths(lines), words.to_owned())
}

fn rectangle_map(rig: &Rig, rectangle: &Rectangle, inputs: &mut Inputs) -> (ScaleSource, String) {
    let (w, h) = (rectangle.width.length.metres(), rectangle.height.length.metres());
    let plane = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)];
    let points = rectangle.corners.iter().zip(plane).map(|(px, at)| (*px, MetrePoint::new(at.0, at.1))).collect();
    for (name, length, knob) in [
        ("width of the rectangle", rectangle.width, Knob::RectangleWidth),
        ("height of the rectangle", rectangle.height, Knob::RectangleHeight),
    ] {
        inputs.push((
            CameraInput {
                name: name.to_owned(),
                kind: InputKind::ScaleLength,
                value: length.length.metres(),
                standard_uncertainty: length.standard_uncertainty_m.unwrap_or(usual::LENGTH_M),
                unit: "m".to_owned(),
                distribution: Distribution::Normal,
                stated: true,
            },
            knob,
        ));
    }
    map_inputs(end_px(rig), inputs);
    let source = ScaleSource::Map { points, shift: SVector::zeros() };
    (source, "the four corners of a known rectangle".to_owned())
}

/// The eight independent ways in which errors of the marks change a fitted map; one unit each is one standard uncertainty.
fn map_inputs(sigma_px: f64, inputs: &mut Inputs) {
    for mode in 0..8 {
        inputs.push((
            CameraInput {
                name: format!("marks in the picture, part {} of 8", mode + 1),
                kind: InputKind::ScaleMarks,
                value: 0.0,
                standard_uncertainty: sigma_px,
                unit: "px".to_owned(),
                distribution: Distribution::Normal,
                stated: true,
            },
            Knob::MapMode(mode),
        ));
    }
}

fn level(rig: &Rig, view: &View, inputs: &mut Inputs) -> (Level, String) {
    let marked = |a: PixelPoint, b: PixelPoint| (end_px(rig) * std::f64::consts::SQRT_2 / a.distance(b)).to_degrees();
    let upright = rig.scale.rectangle.as_ref().filter(|rectangle| rectangle.upright);
    let hanging = view.cards.first().filter(|_| !rig.card.ignore).and_then(FoundCard::hanging);
    let (level, u_deg, stated, words) = if let Some((a, b)) = rig.camera.plumb {
        (Level::Plumb(a, b), marked(a, b), true, "a plumb line")
    } else if let Some(line) = &rig.scale.vertical {
        (Level::Plumb(line.from, line.to), marked(line.from, line.to), true, "a length that hangs plumb")
    } else if let Some(line) = &rig.scale.horizontal {
        (Level::Horizontal(line.from, line.to), marked(line.from, line.to), true, "a length that lies level")
    } else if let Some(hanging) = hanging {
        let edge = if hanging.quarter_turns == 0 {
            "the card's upright"
        } else {
            "that edge of the card that is nearest to it"
        };
        let slanted = hanging.lean_deg.abs() > usual::SLANTED_DEG;
        // Either the phone was held aslant or the card hangs so; the flight will tell.
        let u_deg = if slanted { 0.5 * hanging.lean_deg.abs() } else { usual::HANGING_DEG };
        (Level::Upright, u_deg, !slanted, edge)
    } else if let Some(r) = upright {
        (
            Level::Plumb(r.corners[0], r.corners[3]),
            marked(r.corners[0], r.corners[3]),
            true,
            "the rectangle's upright edge",
        )
    } else if let Some(roll) = rig.camera.roll_deg {
        let u = roll.standard_uncertainty.unwrap_or(usual::STATED_TILT_DEG);
        (Level::Roll(roll.value.to_radians()), u, true, "the stated roll of the camera")
    } else {
        (Level::Roll(0.0), usual::ROLL_DEG, false, "the picture's own upright")
    };
    inputs.push((
        CameraInput {
            name: format!("vertical, from {words}"),
            kind: InputKind::Level,
            value: 0.0,
            standard_uncertainty: u_deg,
            unit: "deg".to_owned(),
            distribution: Distribution::Normal,
            stated,
        },
        Knob::Level,
    ));
    (level, words.to_owned())
}

fn depth_inputs(rig: &Rig, setup: &Setup, inputs: &mut Inputs) {
    let beside_the_flight =
        matches!(&setup.scale, ScaleSource::Lengths(lines) if lines.iter().all(|l| l.in_flight_plane));
    if !beside_the_flight {
        let stated = rig.scale.offset_m;
        let usual_u = if stated.is_some() { 0.01 } else { usual::OFFSET_M };
        inputs.push((
            CameraInput {
                name: "scale in front of the plane of the flight".to_owned(),
                kind: InputKind::ScaleDepth,
                value: setup.offset_m,
                standard_uncertainty: stated.and_then(|s| s.standard_uncertainty).unwrap_or(usual_u),
                unit: "m".to_owned(),
                distribution: if stated.is_some() { Distribution::Normal } else { Distribution::Rectangular },
                stated: stated.is_some(),
            },
            Knob::Offset,
        ));
    }
    // With marks, distance, tilt and focal length are weighed in the fit and speak through its parts.
    let marks = matches!(setup.scale, ScaleSource::Marks(_));
    if let Some(distance) = rig.camera.distance.filter(|_| !marks) {
        inputs.push((
            CameraInput {
                name: "distance from the lens to the plane of the flight".to_owned(),
                kind: InputKind::ScaleDepth,
                value: distance.length.metres(),
                standard_uncertainty: distance.standard_uncertainty_m.unwrap_or(usual::DISTANCE_M),
                unit: "m".to_owned(),
                distribution: Distribution::Normal,
                stated: true,
            },
            Knob::Distance,
        ));
    }
}

fn tilt_inputs(rig: &Rig, setup: &Setup, inputs: &mut Inputs) {
    if !matches!(setup.scale, ScaleSource::Lengths(_)) {
        return;
    }
    for (name, stated, knob) in [
        ("yaw of the camera", rig.camera.yaw_deg, Knob::Yaw),
        ("pitch of the camera", rig.camera.pitch_deg, Knob::Pitch),
    ] {
        let usual_u = if stated.is_some() { usual::STATED_TILT_DEG } else { usual::TILT_DEG };
        inputs.push((
            CameraInput {
                name: name.to_owned(),
                kind: InputKind::Tilt,
                value: stated.map_or(0.0, |s| s.value),
                standard_uncertainty: stated.and_then(|s| s.standard_uncertainty).unwrap_or(usual_u),
                unit: "deg".to_owned(),
                distribution: Distribution::Normal,
                stated: stated.is_some(),
            },
            knob,
        ));
    }
}

fn lens_inputs(rig: &Rig, setup: &Setup, inputs: &mut Inputs) {
    if !setup.focal_from_distance && !matches!(setup.scale, ScaleSource::Marks(_)) {
        let stated = rig.camera.focal_length_px;
        let share = if stated.is_some() { 0.01 } else { usual::FOCAL_SPREAD };
        let u = stated.and_then(|s| s.standard_uncertainty).unwrap_or(share * setup.focal_px);
        inputs.push((lens_input("focal length", setup.focal_px, u, "px", stated.is_some()), Knob::Focal));
    }
    let k1 = rig.camera.k1;
    let usual_k1 = if k1.is_some() { 0.005 } else { usual::K1 };
    let u = k1.and_then(|s| s.standard_uncertainty).unwrap_or(usual_k1);
    inputs.push((lens_input("lens term k1", setup.k1, u, "1", k1.is_some()), Knob::K1));
    if let Some(Stated { value, standard_uncertainty: Some(u) }) = rig.camera.k2 {
        inputs.push((lens_input("lens term k2", value, u, "1", true), Knob::K2));
    }
}

fn lens_input(name: &str, value: f64, u: f64, unit: &str, stated: bool) -> CameraInput {
    CameraInput {
        name: name.to_owned(),
        kind: InputKind::Lens,
        value,
        standard_uncertainty: u,
        unit: unit.to_owned(),
        distribution: Distribution::Normal,
        stated,
    }
}

/// What to say of cards that don't hang upright in the picture.
pub(super) fn hanging_warnings(rig: &Rig, view: &View) -> Vec<Warning> {
    let cards = view.cards.iter().filter(|_| !rig.card.ignore);
    cards
        .filter_map(|card| {
            let Hanging { quarter_turns, lean_deg } = card.hanging()?;
            let upright = quarter_turns == 0 && lean_deg.abs() <= usual::SLANTED_DEG;
            (!upright).then(|| Warning::CardNotUpright { card: card.name.words(), quarter_turns, lean_deg })
        })
        .collect()
}

/// The readout that lamps show, where the rig doesn't state one.
fn by_lamps(rig: &Rig, view: &View) -> Option<(f64, f64)> {
    view.lamps_readout_s.filter(|_| rig.camera.readout_s.is_none())
}

/// Readout time and its standard uncertainty, s, from the rig or from lamps.
fn readout(rig: &Rig, view: &View) -> Option<(f64, f64)> {
    let stated = rig.camera.readout_s.map(|s| (s.value, s.standard_uncertainty.unwrap_or(usual::STATED_READOUT_S)));
    stated.or(by_lamps(rig, view))
}

fn readout_input(rig: &Rig, view: &View, inputs: &mut Inputs) {
    // A picture can't take longer to read than the next one takes to begin; either sign, since nothing says which way the
    // phone was held once its file has been edited.
    let longest = view.frame_rate_hz.map_or(usual::READOUT_S, |rate| (1.0 / rate).min(usual::READOUT_S));
    let known = readout(rig, view);
    let by_lamps = by_lamps(rig, view).is_some();
    inputs.push((
        CameraInput {
            name: if by_lamps {
                "readout time of the rolling shutter, from the flicker of the lamps".to_owned()
            } else {
                "readout time of the rolling shutter".to_owned()
            },
            kind: InputKind::Readout,
            value: known.map_or(0.0, |(readout_s, _)| readout_s),
            standard_uncertainty: known.map_or(longest / 3f64.sqrt(), |(_, u)| u),
            unit: "s".to_owned(),
            distribution: if known.is_some() { Distribution::Normal } else { Distribution::Rectangular },
            stated: known.is_some(),
        },
        Knob::Readout,
    ));
}
