//! What tells the time besides the stamps: lamps on alternating current, and the sound of launch and landing.

use std::path::Path;

use super::launches::{Continuation, FirstLook};
use crate::camera::flicker::RowMeans;
use crate::clip::Clock;
use crate::clip::sound::sound_between;
use crate::fit::flicker::{find_flicker, read_flicker};
use crate::fit::sound::{Onset, SoundFlight, flight_by_sound, onsets};
use crate::measurement::basis::{TimeCheck, TimeWitness, agreed_time};
use crate::rig::ReadoutDirection;

/// What the lamps say.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Lamps {
    /// Readout along the direction in which rows were gathered, above zero towards larger pixels, with its standard
    /// uncertainty, s.
    pub readout_s: Option<(f64, f64)>,
    pub check: Option<TimeCheck>,
}

impl Lamps {
    /// The same with the readout counted the way the rows are taken to run.
    pub fn along(self, rows: ReadoutDirection) -> Self {
        let backwards = matches!(rows, ReadoutDirection::Up | ReadoutDirection::Left);
        let turned = |(readout_s, u): (f64, f64)| (if backwards { -readout_s } else { readout_s }, u);
        Self { readout_s: self.readout_s.map(turned), ..self }
    }
}

/// The clock brought to what it and its witnesses agree on. The rate at which the clip plays stays as it was stated.
pub(super) fn agreed(clock: &Clock, checks: &[TimeCheck]) -> Clock {
    let too_long = agreed_time(clock.relative_standard_uncertainty, checks).stated_over_true;
    let shortened = |times: &[f64]| times.iter().map(|time| time / too_long).collect();
    Clock {
        times_s: shortened(&clock.times_s),
        uniform_times_s: shortened(&clock.uniform_times_s),
        frame_rate_hz: clock.frame_rate_hz * too_long,
        largest_jitter_s: clock.largest_jitter_s / too_long,
        ..clock.clone()
    }
}

/// Reads the lamps. `None` of both in daylight, under lamps that don't flicker, or where their bands stand still or aren't the
/// shutter's.
pub(super) fn by_lamps(rows: &RowMeans, clock: &Clock) -> Lamps {
    /// Frames whose steps stray by more than this share aren't evenly spaced, which the search for a frequency needs.
    const EVEN: f64 = 0.05;
    /// A rate that is wrong by more has another cause, and another reading of the alias comes near.
    const REACH: f64 = 0.02;
    if clock.largest_jitter_s * clock.frame_rate_hz > EVEN {
        return Lamps::default();
    }
    let read = || {
        let flicker = find_flicker(&rows.middle())?;
        let reading = *read_flicker(&flicker, &[clock.frame_rate_hz], REACH).first()?;
        let stated_over_true = reading.time_factor(clock.frame_rate_hz);
        // Other things brighten and dim as well; only the light of lamps runs down the whole picture with the shutter. By the
        // lamps' own time it does so at their frequency.
        let times_s: Vec<f64> = clock.times_s.iter().map(|time| time / stated_over_true).collect();
        Some((rows.estimate(&times_s)?, reading, stated_over_true))
    };
    let Some((found, reading, stated_over_true)) = read() else { return Lamps::default() };
    Lamps {
        readout_s: Some((found.readout_s, found.standard_uncertainty_s)),
        check: Some(TimeCheck {
            witness: TimeWitness::Lamps,
            stated_over_true,
            relative_standard_uncertainty: reading.relative_standard_uncertainty,
        }),
    }
}

/// Compares the flights' durations with what is heard: a click when the launcher lets go, a thud where the ball lands. `None`
/// where the clip has no sound, is slow motion (its sound isn't slowed the same way), or no flight's landing is both seen and
/// heard.
pub(super) fn by_sound(
    path: &Path,
    looks: &[FirstLook],
    continuations: &[Continuation],
    clock: &Clock,
    first_stamp_s: f64,
) -> Option<TimeCheck> {
    /// What the ear hears before and after a flight, s.
    const AROUND_S: f64 = 0.3;
    if (clock.slow_factor - 1.0).abs() > 1e-6 {
        return None;
    }
    let seen: Vec<Pictured> = looks.iter().filter_map(|look| pictured(look, continuations, clock)).collect();
    let from_s = seen.iter().map(|flight| flight.begins_s).reduce(f64::min)? - AROUND_S;
    let to_s = seen.iter().map(|flight| flight.ends_s).reduce(f64::max)? + AROUND_S;
    let sound = sound_between(path, first_stamp_s + from_s, first_stamp_s + to_s)?;
    let mut heard = onsets(&sound.samples, sound.rate_hz);
    heard.iter_mut().for_each(|onset| onset.time_s += sound.first_s - first_stamp_s);
    let factors: Vec<(f64, f64)> = seen.iter().filter_map(|flight| flight.compared(&heard)).collect();
    let weight: f64 = factors.iter().map(|(_, u)| u.powi(-2)).sum();
    let mean = factors.iter().map(|(factor, u)| factor / (u * u)).sum::<f64>() / weight;
    (weight > 0.0).then(|| TimeCheck {
        witness: TimeWitness::Sound,
        stated_over_true: mean,
        relative_standard_uncertainty: weight.sqrt().recip(),
    })
}

/// A flight from its launch to a landing that is in the picture, s on the clock.
#[derive(Debug, Clone, Copy)]
struct Pictured {
    begins_s: f64,
    ends_s: f64,
    standard_uncertainty_s: f64,
}

/// `None` where the ball isn't seen again within a few frames after the end of its flight.
fn pictured(look: &FirstLook, continuations: &[Continuation], clock: &Clock) -> Option<Pictured> {
    const LONGEST_GAP_FRAMES: usize = 4;
    let (last, launch) = (look.sightings.last()?, look.fit.launch_time_s);
    let next = continuations.iter().map(|after| after.frame).find(|frame| *frame > last.frame)?;
    if next - last.frame > LONGEST_GAP_FRAMES {
        return None;
    }
    let touches_before_s = *clock.times_s.get(next)? + (last.time_s - clock.times_s.get(last.frame)?);
    let gap_s = touches_before_s - last.time_s;
    // Somewhere between the two, rectangular; so is the launch.
    let landing_u_s = gap_s / 12f64.sqrt();
    Some(Pictured {
        begins_s: launch.value,
        ends_s: last.time_s + gap_s / 2.0,
        standard_uncertainty_s: landing_u_s.hypot(launch.standard_uncertainty.unwrap_or(0.0)),
    })
}

impl Pictured {
    /// Stated over true time with its relative standard uncertainty.
    fn compared(&self, heard: &[Onset]) -> Option<(f64, f64)> {
        /// The landing may be half a metre nearer to or farther from the phone than the launcher (common practice, no source).
        const FARTHER_M: (f64, f64) = (0.0, 0.5);
        // Sound and picture of a file may be shifted against each other by some hundredths of a second.
        let reach_s = 0.04 + 2.0 * self.standard_uncertainty_s;
        let sound: SoundFlight = flight_by_sound(heard, (self.begins_s, self.ends_s), reach_s, FARTHER_M)?;
        Some(sound.time_factor(self.ends_s - self.begins_s, self.standard_uncertainty_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::flicker::LampSource;
    use crate::clip::FrameSource;
    use crate::fit::trial::Throw;
    use crate::fit::{FitOptions, Launch, PlainScale, fit_flight};
    use crate::scene::{Flicker, presets, source};
    use crate::units::{MetrePoint, PixelPoint};
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;

    fn lamps(hz: f64, depth: f64, readout_s: f64, rate_hz: f64, stated_rate_hz: f64) -> Lamps {
        let mut scene = presets::rolling_shutter(5);
        scene.light.flicker = (depth > 0.0).then_some(Flicker { hz, depth });
        scene.shutter.readout_s = readout_s;
        scene.timing = crate::scene::Timing::steady(rate_hz, 60);
        let mut inner = source(&scene);
        let mut lamps = LampSource::new(&mut inner, ReadoutDirection::Down);
        while lamps.next_frame().unwrap().is_some() {}
        let rows = lamps.into_rows();
        let times_s: Vec<f64> = (0..60).map(|k| f64::from(k) / stated_rate_hz).collect();
        let stamps: Vec<Option<f64>> = times_s.iter().copied().map(Some).collect();
        let info = source(&scene).info().clone();
        let clock = Clock::build(&stamps, &info, &crate::clip::ClipReport::default(), None).unwrap();
        by_lamps(&rows, &clock)
    }

    #[test]
    fn lamps_give_the_readout_and_confirm_the_clock() {
        let seen = lamps(100.0, 0.04, 0.015, 30.0, 30.0);
        let (readout_s, u) = seen.readout_s.unwrap();
        // A tenth of a millisecond changes g by 0.01 %; the flight's own ball crosses some bands.
        assert!((readout_s - 0.015).abs() < 4.0 * u + 1e-4, "{seen:?}");
        let check = seen.check.unwrap();
        assert!((check.stated_over_true - 1.0).abs() < 3.0 * check.relative_standard_uncertainty, "{check:?}");
    }

    /// A rate known by its name is off by a thousandth, and the lamps know better: the times go with them.
    #[test]
    fn the_clock_goes_with_the_sharper_witness() {
        let stamps: Vec<Option<f64>> = (0..60).map(|k| Some(f64::from(k) / 30.0)).collect();
        let info = source(&presets::clean_60fps(1)).info().clone();
        let named = Clock::build(&stamps, &info, &crate::clip::ClipReport::default(), Some(240.0)).unwrap();
        assert_eq!(named.relative_standard_uncertainty, 1e-3);
        let check =
            TimeCheck { witness: TimeWitness::Lamps, stated_over_true: 0.999, relative_standard_uncertainty: 1e-4 };
        let clock = agreed(&named, &[check]);
        // The lamps' weight is 100/101: 0.99 of the thousandth.
        let longer = clock.times_s[59] / named.times_s[59];
        assert!((longer - (1.0 + 1e-3 * 100.0 / 101.0)).abs() < 2e-6, "{longer}");
        assert!((clock.frame_rate_hz * longer / named.frame_rate_hz - 1.0).abs() < 1e-12);
        assert_eq!(agreed(&named, &[]).times_s, named.times_s);
    }

    #[test]
    fn a_wrong_rate_shows_in_the_lamps() {
        // Taken at 29.871 frames a second, stated as 30: 0.9 % of g.
        let check = lamps(100.0, 0.04, 0.015, 29.871, 30.0).check.unwrap();
        assert!(
            (check.stated_over_true - 29.871 / 30.0).abs() < 3.0 * check.relative_standard_uncertainty,
            "{check:?}"
        );
    }

    #[test]
    fn daylight_says_nothing() {
        assert_eq!(lamps(100.0, 0.0, 0.015, 30.0, 30.0), Lamps::default());
    }

    /// People and launchers brighten and dim the picture too, at any frequency.
    #[test]
    fn what_moves_is_no_lamp() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips/range");
        for name in ["clutter-person", "five-launches", "lob-target", "no-ball"] {
            let path = folder.join(format!("{name}.mp4"));
            let Ok(mut inner) = crate::clip::open(&path, &crate::clip::ReadOptions::default()) else {
                eprintln!("skipped: no recording at {}", path.display());
                continue;
            };
            let mut lamps = LampSource::new(&mut *inner, ReadoutDirection::Down);
            let mut stamps = Vec::new();
            while let Some(frame) = lamps.next_frame().unwrap() {
                stamps.push(frame.stamp_s);
            }
            let (info, reading) = (lamps.info().clone(), lamps.report());
            let clock = Clock::build(&stamps, &info, &reading, None).unwrap();
            assert_eq!(by_lamps(&lamps.into_rows(), &clock), Lamps::default(), "{name}");
        }
    }

    /// A flight that the picture has last from 0.5 s to 1.0 s, and a track with a click and a thud `heard_s` apart.
    fn sound(heard_s: f64) -> Option<TimeCheck> {
        let rate = 8000;
        let burst = |t: f64, at: f64| if t < at { 0.0 } else { (-(t - at) / 0.006).exp() * (4000.0 * (t - at)).sin() };
        let samples: Vec<i16> = (0..rate * 2)
            .map(|i| {
                let t = f64::from(i) / f64::from(rate);
                // A hum, and hiss enough that silence has a level.
                let hiss = 20.0 * (f64::from(i * (i % 977) % 1013) / 1013.0 - 0.5);
                (12000.0 * (burst(t, 0.5) + burst(t, 0.5 + heard_s)) + 300.0 * (314.16 * t).sin() + hiss) as i16
            })
            .collect();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("track.avi");
        std::fs::write(&path, crate::clip::sound::avi(rate as u32, &samples)).unwrap();
        let stamps: Vec<Option<f64>> = (0..120).map(|k| Some(f64::from(k) / 60.0)).collect();
        let info = source(&presets::clean_60fps(1)).info().clone();
        let clock = Clock::build(&stamps, &info, &crate::clip::ClipReport::default(), None).unwrap();
        let look = flight_of_half_a_second();
        by_sound(&path, &[look], &[Continuation { frame: 61 }], &clock, 0.0)
    }

    /// Launched at 0.5 s to a millisecond, and last seen in frame 59 of 60 a second.
    fn flight_of_half_a_second() -> FirstLook {
        let view = PlainScale::new(0.0013, PixelPoint::new(300.0, 800.0));
        let throw = Throw::new(MetrePoint::new(0.0, 0.0), 4.0, 45.0, 1.0);
        let times: Vec<f64> = (0..30).map(|k| f64::from(k) / 60.0).collect();
        let mut sightings = throw.film(&view, &times, 0.1, &mut ChaCha8Rng::seed_from_u64(1));
        for sighting in &mut sightings {
            sighting.frame += 30;
            sighting.time_s += 0.5;
        }
        let launch = Launch::At { time_s: 0.5, standard_uncertainty_s: 0.001 };
        let fit = fit_flight(&sightings, &view, &FitOptions { launch, ..FitOptions::default() }).unwrap();
        FirstLook { sightings, fit }
    }

    #[test]
    fn click_and_thud_confirm_or_contradict_the_clock() {
        let check = sound(0.5).unwrap();
        // The landing lies within two frames of 60 a second: 9.6 ms of 500.
        assert!((check.relative_standard_uncertainty - 0.0196).abs() < 0.002, "{check:?}");
        assert!((check.stated_over_true - 1.0).abs() < 0.01 && !check.contradicts(1e-4), "{check:?}");
        // Times that are a tenth too long.
        let check = sound(0.5 / 1.1).unwrap();
        assert!((check.stated_over_true - 1.1).abs() < 0.01 && check.contradicts(1e-4), "{check:?}");
        // A thud that belongs to something else.
        assert_eq!(sound(0.8), None);
    }
}
