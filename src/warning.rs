//! Warnings are values carried with the result and shown in every output; tests compare variants, not text.

use serde::{Deserialize, Serialize};

/// An odd but usable thing that the reader of a result must know.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Warning {
    /// Frames whose presentation timestamp is missing.
    FramesWithoutStamp { count: usize },
    /// Errors that the decoder reported; the frames after them may be damaged.
    DecodeErrors { count: usize },
    /// The file ends early; what is whole was used.
    ClipTruncated { frames_used: usize },
    /// The capture rate tag and the timestamps disagree; the capture rate was used.
    SlowMotionUndone { capture_rate_hz: f64, stamp_rate_hz: f64 },
    /// Gravity is off by more than a factor of two, the clip played at another speed than it was recorded would explain it, and
    /// nobody stated how fast it was recorded.
    CaptureRateNotStated {
        gravity_m_per_s2: f64,
        expected_m_per_s2: f64,
        /// What would bring gravity right.
        capture_rate_hz: f64,
        /// What was taken for the rate of recording.
        played_rate_hz: f64,
    },
    /// A jump in the spacing of timestamps.
    GapInStamps { at_s: f64, gap_s: f64, usual_s: f64 },
    /// The camera moved against the background; that was taken out.
    CameraMoved { largest_px: f64, lost_frames: usize },
    /// Another witness of time contradicts the clock by this much.
    TimesDisagree { by: String, percent: f64 },
    /// The fitted acceleration isn't along the stated vertical.
    FallLeans { flight: usize, degrees: f64, u95_deg: f64 },
    /// Fewer sightings than a trustworthy fit wants.
    FewSightings { flight: usize, count: usize },
    /// More than a third of the sightings of a flight were left out of its fit: those of these frames, each farther from the path than so
    /// many standard deviations.
    ManyLeftOut { flight: usize, frames: Vec<usize>, sightings: usize, beyond: f64 },
    /// The flight begins with the clip or at the picture's edge: speed and angle are those at the first sighting.
    LaunchNotSeen { flight: usize },
    /// The ball went on after a touch; that part isn't measured.
    BouncesLeftOut { count: usize },
    /// Flights that were seen and could not be fitted.
    FlightsNotFitted { count: usize },
    /// Something about the clip's times that has no remedy of its own.
    Clock { message: String },
    /// Something about how the clip was stored.
    Clip { message: String },
    /// The scale's distance from the flight plane isn't stated.
    ScaleDepthUnknown,
    /// An end of a stated length lies beyond the picture, px.
    ScaleEndOutside { x_px: f64, y_px: f64 },
    /// The marks of the cards don't lie on flat cards in one plane.
    MarksDontFit { residual_px: f64 },
    /// A card hangs turned by quarters (anticlockwise) or slanted by this much besides.
    CardNotUpright { card: String, quarter_turns: u8, lean_deg: f64 },
    /// Known lengths contradict each other by more than their uncertainties allow.
    LengthsDisagree { worst_percent: f64, standard_uncertainties: f64 },
    /// The ball is seen larger (or smaller, below nought) than stated by this much, beside a scale; and how much nearer to the camera than
    /// the scale it would have to be, where the camera's distance is stated.
    BallDisagrees { percent: f64, u95_percent: f64, nearer_by_m: Option<f64> },
    /// Nobody weighed the ball, so that the interval holds for any ball from soft foam to steel: by how much that one doubt widens it.
    BallNotWeighed { flight: usize, narrower_percent: f64 },
    /// The flight's path passes the stated launch point by this much, more than a hand's slip and the ball's radius.
    LaunchPointMissed { flight: usize, by_px: f64 },
    /// The sightings lie so many times farther from any path than the picture's noise puts them.
    PointsOffThePath { flight: usize, times: f64 },
}

/// Warnings that one sentence says.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// The warning's `kind` in the JSON.
    pub code: String,
    /// Whose it is; empty where it is the whole clip's.
    pub flights: Vec<usize>,
    /// A few words.
    pub short: String,
    pub text: String,
}

/// Many warnings as sentences. Those that say the same of several flights or places become one, with the largest numbers.
pub fn grouped(warnings: &[Warning]) -> Vec<Group> {
    let mut said = Vec::new();
    for (i, warning) in warnings.iter().enumerate() {
        let alike = |other: &&Warning| warning.says_the_same(other);
        if warnings[..i].iter().any(|earlier| alike(&earlier)) {
            continue;
        }
        let group: Vec<&Warning> = std::iter::once(warning).chain(warnings[i + 1..].iter().filter(alike)).collect();
        said.push(Group {
            code: warning.code(),
            flights: group.iter().filter_map(|warning| warning.flight()).collect(),
            short: warning.short().to_owned(),
            text: Warning::of_several(&group).unwrap_or_else(|| warning.message()),
        });
    }
    said
}

/// The sentences of [`grouped`].
pub fn in_sentences(warnings: &[Warning]) -> Vec<String> {
    grouped(warnings).into_iter().map(|group| group.text).collect()
}

/// "flight 2", "flights 2 and 3", "flights 2, 3 and 5", "flights 1 to 5".
pub fn flights_in_words(numbers: &[usize]) -> String {
    if let [first, .., last] = numbers
        && numbers.len() > 2
        && numbers.windows(2).all(|pair| pair[1] == pair[0] + 1)
    {
        return format!("flights {first} to {last}");
    }
    let words: Vec<String> = numbers.iter().map(usize::to_string).collect();
    match words.as_slice() {
        [one] => format!("flight {one}"),
        [first @ .., last] => format!("flights {} and {last}", first.join(", ")),
        [] => String::new(),
    }
}

impl Warning {
    /// The `kind` of the JSON.
    pub fn code(&self) -> String {
        let plain = serde_json::to_value(self).ok();
        plain.and_then(|value| Some(value.get("kind")?.as_str()?.to_owned())).unwrap_or_default()
    }

    /// The flight of which it is said.
    pub const fn flight(&self) -> Option<usize> {
        match self {
            Self::FallLeans { flight, .. }
            | Self::FewSightings { flight, .. }
            | Self::ManyLeftOut { flight, .. }
            | Self::LaunchNotSeen { flight }
            | Self::LaunchPointMissed { flight, .. }
            | Self::PointsOffThePath { flight, .. }
            | Self::BallNotWeighed { flight, .. } => Some(*flight),
            _ => None,
        }
    }

    /// In a few words, for the foot of a picture.
    pub const fn short(&self) -> &'static str {
        match self {
            Self::FramesWithoutStamp { .. } => "frames without a time of their own",
            Self::DecodeErrors { .. } => "damaged places in the file",
            Self::ClipTruncated { .. } => "the file ends early",
            Self::SlowMotionUndone { .. } => "slow motion undone",
            Self::CaptureRateNotStated { .. } => "rate of recording not stated",
            Self::GapInStamps { .. } => "frames were dropped",
            Self::CameraMoved { .. } => "the camera moved",
            Self::TimesDisagree { .. } => "the clock is contradicted",
            Self::FallLeans { .. } => "the fall leans",
            Self::FewSightings { .. } => "few sightings",
            Self::ManyLeftOut { .. } => "many sightings left out",
            Self::LaunchNotSeen { .. } => "launch not seen",
            Self::BouncesLeftOut { .. } => "what follows a touch is left out",
            Self::FlightsNotFitted { .. } => "more flights seen than fitted",
            Self::Clock { .. } => "odd times in the file",
            Self::Clip { .. } => "an odd file",
            Self::ScaleDepthUnknown => "depth of the scale not stated",
            Self::ScaleEndOutside { .. } => "scale ends outside the picture",
            Self::MarksDontFit { .. } => "marks of the cards don't fit",
            Self::CardNotUpright { .. } => "a card hangs aslant",
            Self::LengthsDisagree { .. } => "known lengths disagree",
            Self::BallDisagrees { .. } => "size of the ball disagrees",
            Self::BallNotWeighed { .. } => "ball not weighed",
            Self::LaunchPointMissed { .. } => "path misses the launch point",
            Self::PointsOffThePath { .. } => "points far off the path",
        }
    }

    /// Whether one sentence can say both.
    fn says_the_same(&self, other: &Self) -> bool {
        matches!(
            (self, other),
            (Self::LaunchNotSeen { .. }, Self::LaunchNotSeen { .. })
                | (Self::BallNotWeighed { .. }, Self::BallNotWeighed { .. })
                | (Self::GapInStamps { .. }, Self::GapInStamps { .. })
        )
    }

    /// One sentence for warnings that say the same; `None` where that doesn't go.
    fn of_several(group: &[&Self]) -> Option<String> {
        match group {
            [Self::GapInStamps { .. }, _, ..] => Self::of_gaps(group),
            _ => Self::of_flights(group),
        }
    }

    fn of_gaps(group: &[&Self]) -> Option<String> {
        let gaps: Vec<(f64, f64, f64)> = group
            .iter()
            .filter_map(|warning| match warning {
                Self::GapInStamps { at_s, gap_s, usual_s } => Some((*at_s, *gap_s, *usual_s)),
                _ => None,
            })
            .collect();
        let (first, last) = (gaps.first()?, gaps.last()?);
        let longest = gaps.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(format!(
            "{} gaps between {:.2} s and {:.2} s, where frames were dropped; the longest is {:.0} ms at {:.2} s, where {:.0} ms is \
             usual",
            gaps.len(),
            first.0,
            last.0,
            1e3 * longest.1,
            longest.0,
            1e3 * longest.2
        ))
    }

    fn of_flights(group: &[&Self]) -> Option<String> {
        let mut flights = Vec::new();
        let mut narrower = f64::NEG_INFINITY;
        for warning in group {
            match warning {
                Self::LaunchNotSeen { flight } => flights.push(*flight),
                Self::BallNotWeighed { flight, narrower_percent } => {
                    flights.push(*flight);
                    narrower = narrower.max(*narrower_percent);
                }
                _ => return None,
            }
        }
        let (named, several) = (flights_in_words(&flights), flights.len() > 1);
        match group.first()? {
            Self::LaunchNotSeen { .. } => Some(format!(
                "{named} {} before the clip does: speed and angle are those at the first sighting, not at the launcher. Start \
                 the recording before the launch",
                if several { "begin" } else { "begins" }
            )),
            Self::BallNotWeighed { .. } => Some(format!(
                "the ball's mass isn't stated, so that the ± of {named} {} for any ball from soft foam to steel. Weigh the ball and state \
                 its mass and diameter: that alone makes an interval up to {narrower:.0} % narrower",
                if several { "hold" } else { "holds" }
            )),
            _ => None,
        }
    }

    /// What happened, and what to do about it, in one sentence each.
    pub fn message(&self) -> String {
        match self {
            Self::FramesWithoutStamp { count } => {
                format!(
                    "{count} frames have no time of their own; theirs were filled in evenly between their neighbours"
                )
            }
            Self::DecodeErrors { count } => {
                format!(
                    "the decoder met {count} damaged places; pictures after them may be torn. Copy the original file again"
                )
            }
            Self::ClipTruncated { frames_used } => {
                format!("the file ends early; the {frames_used} whole frames were used. Copy the original file again")
            }
            Self::SlowMotionUndone { capture_rate_hz, stamp_rate_hz } => format!(
                "slow motion: recorded at {capture_rate_hz:.0} frames per second and stored at {stamp_rate_hz:.1}; \
                 the recorded rate was used"
            ),
            Self::CaptureRateNotStated { gravity_m_per_s2, expected_m_per_s2, capture_rate_hz, played_rate_hz } => {
                let how = if capture_rate_hz > played_rate_hz { "slow motion" } else { "a clip that was sped up" };
                format!(
                    "speed, angle and g are wrong if this is {how}, and it looks like it: g comes out as {} m/s² where \
                     {expected_m_per_s2:.2} is expected, as if {capture_rate_hz:.0} frames per second were played at \
                     {played_rate_hz:.0}. Look up the rate of recording in the phone's details of the clip, and measure again with \
                     `--capture-rate {capture_rate_hz:.0}` (or `capture_rate` in the rig)",
                    three_digits(*gravity_m_per_s2)
                )
            }
            Self::GapInStamps { at_s, gap_s, usual_s } => format!(
                "a gap of {:.0} ms at {at_s:.2} s, where {:.0} ms is usual: frames were dropped there",
                gap_s * 1e3,
                usual_s * 1e3
            ),
            Self::FallLeans { flight, degrees, u95_deg } => format!(
                "the fall of flight {flight} leans {:.1}° ± {u95_deg:.1}° to the {} of the stated vertical: mark a plumb line, and check that \
                 the camera looks squarely at the flight; a rolling shutter whose readout isn't stated looks the same",
                degrees.abs(),
                if *degrees > 0.0 { "right" } else { "left" }
            ),
            Self::TimesDisagree { by, percent } => format!(
                "{by} says that the clip's times are {:.1} % too {}: state the rate at which it was recorded (`--capture-rate`), or \
                 take the original file",
                percent.abs(),
                if *percent > 0.0 { "long" } else { "short" }
            ),
            Self::CameraMoved { largest_px, lost_frames } => {
                let lost = match lost_frames {
                    0 => String::new(),
                    1 => "; in one frame its place couldn't be told, and what flew there is missed".to_owned(),
                    n => format!("; in {n} frames its place couldn't be told, and what flew in them is missed"),
                };
                format!(
                    "the camera moved, by up to {largest_px:.1} px at the picture's corners: the background was followed and all places are those of the first frame{lost}. Put the camera on a stand and switch stabilisation off"
                )
            }
            Self::FewSightings { flight, count } => format!(
                "flight {flight} has only {count} sightings; film closer, at a higher frame rate or with more light"
            ),
            Self::ManyLeftOut { flight, frames, sightings, beyond } => format!(
                "{} of the {sightings} sightings of flight {flight} were left out, because each lies more than {beyond:.0} standard \
                 deviations from the path, both coordinates together (frames {}). So many are more than slips: look in the strobe \
                 picture whether another thing was taken for the ball, or whether it hit something, and drop what isn't free flight",
                frames.len(),
                runs(frames)
            ),
            Self::MarksDontFit { residual_px } => format!(
                "the marks found miss their places on flat cards in one plane by {residual_px:.1} px: fix each card on something \
                 stiff, all in the plane of the flight"
            ),
            Self::CardNotUpright { card, quarter_turns, lean_deg } => {
                let how = match quarter_turns {
                    0 => format!("leans by {:.0}° in the picture", lean_deg.abs()),
                    2 => "hangs upside down".to_owned(),
                    _ => "hangs on its side".to_owned(),
                };
                format!(
                    "{card} {how}; its scale counts all the same, and up is taken to be the picture's as nearly as an edge of the \
                     card allows. Hang it upright, and it gives the vertical to half a degree"
                )
            }
            Self::LengthsDisagree { worst_percent, standard_uncertainties } => format!(
                "the known lengths contradict each other: one is off by {worst_percent:.1} %, {standard_uncertainties:.0} times \
                 what marking them allows. Check their ends and their units"
            ),
            Self::BallDisagrees { percent, u95_percent, nearer_by_m } => {
                let (size, side) = if *percent > 0.0 { ("larger", "nearer to") } else { ("smaller", "farther from") };
                let by = nearer_by_m.map_or(String::new(), |m| format!(" by {:.0} cm", 100.0 * m.abs()));
                format!(
                    "by the scale the ball is {:.0} % {size} than stated (known to {u95_percent:.0} %): it flew {side} the camera than \
                     the scale{by}, or one of the two lengths is wrong. Put the scale where the ball flies, and measure both again",
                    percent.abs()
                )
            }
            Self::LaunchNotSeen { .. } | Self::BallNotWeighed { .. } => Self::of_flights(&[self]).unwrap_or_default(),
            Self::LaunchPointMissed { flight, by_px } => format!(
                "the path of flight {flight} misses the stated launch point by {by_px:.0} px; speed and angle are those where it passes \
                 nearest. Look at the point in the strobe picture: mark where the ball's centre is when it leaves the launcher"
            ),
            Self::PointsOffThePath { flight, times } => format!(
                "don't rely on flight {flight}: its points lie {times:.0} times farther from any ball's path than the picture's noise puts \
                 them. It may be no ball at all, or touched on its way; look at the strobe picture"
            ),
            Self::BouncesLeftOut { count } => {
                let times = if *count == 1 { "once" } else { "several times" };
                format!("the ball went on after a touch {times}; what came after the first touch is left out")
            }
            Self::FlightsNotFitted { count } => {
                format!("{count} more flights were seen, but carry no fit. Film closer or at a higher frame rate")
            }
            Self::Clock { message } | Self::Clip { message } => message.trim_end_matches('.').to_owned(),
            Self::ScaleDepthUnknown => "how far the scale is in front of or behind the flight isn't stated; \
                 1 cm at 3 m changes every length by 0.3 %"
                .to_owned(),
            Self::ScaleEndOutside { x_px, y_px } => format!(
                "the end {x_px:.0},{y_px:.0} of the length lies outside the picture. Check that it was marked on this clip"
            ),
        }
    }
}

/// Numbers in rising order as "15, 25, 70–74".
pub fn runs(numbers: &[usize]) -> String {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for &number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => runs.push((number, number)),
        }
    }
    let one = |&(first, last): &(usize, usize)| match last - first {
        0 => first.to_string(),
        1 => format!("{first}, {last}"),
        _ => format!("{first}–{last}"),
    };
    runs.iter().map(one).collect::<Vec<_>>().join(", ")
}

fn three_digits(value: f64) -> String {
    let before = value.abs().log10().floor().clamp(-4.0, 2.0) as i32;
    format!("{value:.*}", (2 - before) as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flights_with_the_same_fault_share_a_sentence() {
        let air = |flight, narrower_percent| Warning::BallNotWeighed { flight, narrower_percent };
        let warnings = [air(1, 30.0), Warning::ScaleDepthUnknown, air(2, 33.0), air(4, 31.0)];
        let said = in_sentences(&warnings);
        assert_eq!(said.len(), 2);
        assert!(
            said[0].contains("flights 1, 2 and 4 hold for any ball") && said[0].contains("up to 33 %"),
            "{}",
            said[0]
        );
        assert_eq!(in_sentences(&warnings[..1]), [warnings[0].message()]);
        assert!(warnings[0].message().contains("the ± of flight 1 holds for any ball"));
        assert_eq!(flights_in_words(&[2, 3, 4]), "flights 2 to 4");
        let gap = |at_s, gap_s| Warning::GapInStamps { at_s, gap_s, usual_s: 0.0167 };
        assert_eq!(in_sentences(&[gap(0.3, 0.033)]), [gap(0.3, 0.033).message()]);
        assert_eq!(
            in_sentences(&[gap(0.3, 0.033), gap(0.5, 0.05), gap(0.9, 0.033)]),
            [
                "3 gaps between 0.30 s and 0.90 s, where frames were dropped; the longest is 50 ms at 0.50 s, where 17 ms is usual"
            ]
        );
        let few = |flight| Warning::FewSightings { flight, count: 5 };
        assert_eq!(in_sentences(&[few(1), few(2)]).len(), 2);
    }
}
