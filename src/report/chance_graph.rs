//! The chance of a hit by launch angle, as a small graph.

use std::path::Path;

use thiserror::Error;

use super::figure::{Figure, Layer, Mark, Panel, Series, Style};
use super::files::{FileError, write_atomically};
use crate::flight::aim::AngleChance;

/// Why a graph couldn't be drawn.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum ChanceGraphError {
    #[error("`{path}` doesn't end in .svg or .png, so its form isn't clear")]
    UnknownForm { path: String },
    #[error("there is no angle at which the ball reaches the opening, so there is nothing to draw")]
    Empty,
    #[error(transparent)]
    Write(#[from] FileError),
}

impl ChanceGraphError {
    /// What to do.
    pub fn hint(&self) -> String {
        match self {
            Self::UnknownForm { .. } => "name the file with one of these endings".to_owned(),
            Self::Empty => "lower the opening or launch faster".to_owned(),
            Self::Write(error) => error.hint(),
        }
    }
}

/// Draws the bracket of the chance over the launch angle, with `stated_angle_deg` marked, to an .svg or .png file.
///
/// # Errors
/// [`ChanceGraphError`]; nothing is written then.
pub fn write_chance_graph(chances: &[AngleChance], stated_angle_deg: f64, path: &Path) -> Result<(), ChanceGraphError> {
    if chances.is_empty() {
        return Err(ChanceGraphError::Empty);
    }
    let extension = path.extension().and_then(|extension| extension.to_str()).unwrap_or_default().to_ascii_lowercase();
    let (figure, style) = (figure(chances, stated_angle_deg), Style::default());
    let bytes = match extension.as_str() {
        "svg" => figure.svg(&style).into_bytes(),
        "png" => figure.png(&style),
        _ => return Err(ChanceGraphError::UnknownForm { path: path.display().to_string() }),
    };
    Ok(write_atomically(path, &bytes)?)
}

/// Both ends of the chance as lines, what lies between them as a band, and marks for the angle here and for what is in the way.
pub fn figure(chances: &[AngleChance], stated_deg: f64) -> Figure {
    let line = |of: fn(&AngleChance) -> f64| chances.iter().map(|c| (c.angle_deg, 100.0 * of(c))).collect::<Vec<_>>();
    let clean = |chance: &AngleChance| chance.bracket.clean;
    let inside = |chance: &AngleChance| chance.bracket.centre_inside;
    let edges = chances.iter().map(|c| (c.angle_deg, 100.0 * clean(c), 100.0 * inside(c))).collect();
    let mut layers = vec![
        Layer::Level { label: String::new(), y: 0.0 },
        Layer::Band { label: "depends on how the rim is met".into(), edges },
        Layer::Fit { series: Series::First, label: "certainly in".into(), points: line(clean) },
        Layer::Fit { series: Series::Second, label: "centre inside the opening".into(), points: line(inside) },
    ];
    let here = nearest(chances, stated_deg);
    if let Some(here) = here {
        let marks = [clean(here), inside(here)].map(|chance| mark(stated_deg, 100.0 * chance)).to_vec();
        layers.push(Layer::Points { series: Series::First, label: format!("at {stated_deg:.1}°"), marks });
    }
    let blocked: Vec<Mark> = chances.iter().filter(|c| !c.clear).step_by(4).map(|c| mark(c.angle_deg, 0.0)).collect();
    if !blocked.is_empty() {
        layers.push(Layer::Points { series: Series::Third, label: "something in the way".into(), marks: blocked });
    }
    let said = here.map_or_else(String::new, |here| {
        format!(" At {stated_deg:.1}° it is {}.", here.bracket.in_words()).replace(" %", "\u{a0}%")
    });
    Figure {
        name: "chance-by-angle".into(),
        title: "Chance of a hit by launch angle".into(),
        panels: vec![Panel {
            x_name: "launch angle *α* / °".into(),
            y_name: "chance of a hit / %".into(),
            share: 1.0,
            equal_scales: false,
            counts_along: false,
            layers,
        }],
        shared_x: false,
        caption: format!(
            "For each angle the target stands where the ball then comes down.{said} Full line: the ball goes in without \
             touching the near rim. Dashed: its centre comes down inside the opening."
        ),
        note: "",
        notice: String::new(),
        alt: format!("Two curves of the chance of a hit in per cent over the launch angle in degrees.{said}"),
    }
}

/// The chance at the scanned angle next to the stated one; `None` where the scan doesn't reach.
fn nearest(chances: &[AngleChance], stated_deg: f64) -> Option<&AngleChance> {
    let off = |chance: &AngleChance| (chance.angle_deg - stated_deg).abs();
    chances.iter().min_by(|a, b| off(a).total_cmp(&off(b))).filter(|chance| off(chance) <= 1.0)
}

fn mark(x: f64, y: f64) -> Mark {
    Mark { x, y, x_half_width: None, y_half_width: None, used: true }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::chance::Bracket;

    fn chances() -> Vec<AngleChance> {
        (5..=85)
            .map(|angle| {
                let shape = f64::from(angle).to_radians().sin();
                AngleChance {
                    angle_deg: f64::from(angle),
                    range_m: 1.0,
                    bracket: Bracket { clean: 0.6 * shape, centre_inside: 0.9 * shape },
                    clear: angle < 70,
                }
            })
            .collect()
    }

    #[test]
    fn both_forms_are_drawn_and_repeatable() {
        let folder = tempfile::tempdir().unwrap();
        let drawn = |name: &str| {
            let path = folder.path().join(name);
            write_chance_graph(&chances(), 50.0, &path).unwrap();
            std::fs::read(path).unwrap()
        };
        let png = drawn("chance.png");
        assert!(png.starts_with(b"\x89PNG") && png == drawn("again.png"));
        let svg = String::from_utf8(drawn("chance.svg")).unwrap();
        // The font goes along, so that it looks the same on every machine.
        assert!(svg.starts_with("<svg") && !svg.contains("<text") || svg.contains("@font-face"), "{}", &svg[..300]);
        if let Some(kept) = std::env::var_os("LOBLINE_KEEP") {
            std::fs::write(Path::new(&kept).join("chance.png"), png).unwrap();
        }
    }

    #[test]
    fn unclear_forms_and_nothing_to_draw_are_refused() {
        let refused = write_chance_graph(&chances(), 50.0, Path::new("chance.gif"));
        assert!(matches!(refused, Err(ChanceGraphError::UnknownForm { .. })));
        assert!(matches!(write_chance_graph(&[], 50.0, Path::new("a.png")), Err(ChanceGraphError::Empty)));
    }
}
