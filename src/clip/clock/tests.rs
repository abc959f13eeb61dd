use super::super::SlowSegment;
use super::*;

fn info(capture_rate_tag_hz: Option<f64>) -> ClipInfo {
    ClipInfo {
        name: "shot.mp4".to_owned(),
        width: 1280,
        height: 720,
        codec: "h264".to_owned(),
        container: "mov,mp4,m4a,3gp,3g2,mj2".to_owned(),
        stated_rate_hz: Some(30.0),
        capture_rate_tag_hz,
        quarter_turns: 0,
        mirrored: false,
        pixel_aspect_applied: false,
        dynamic_range: "SDR".to_owned(),
        bit_depth: 8,
        rows_along_y: true,
    }
}

fn build(stamps_s: &[f64], tag: Option<f64>, user: Option<f64>) -> Clock {
    let stamps_s: Vec<Option<f64>> = stamps_s.iter().copied().map(Some).collect();
    Clock::build(&stamps_s, &info(tag), &ClipReport::default(), user).unwrap()
}

fn uniform(count: usize, rate_hz: f64) -> Vec<f64> {
    (0..count).map(|i| i as f64 / rate_hz).collect()
}

fn assert_times(got: &[f64], wanted: &[f64], within: f64) {
    assert_eq!(got.len(), wanted.len());
    for (i, (got, wanted)) in got.iter().zip(wanted).enumerate() {
        assert!((got - wanted).abs() <= within, "frame {i}: {got} for {wanted}");
    }
}

/// Sums and quotients of a few hundred numbers of order one.
const ROUNDING: f64 = 1e-12;

#[test]
fn even_stamps_are_the_true_times_whatever_the_start() {
    let late: Vec<f64> = uniform(100, 29.97).iter().map(|stamp| stamp + 10.0).collect();
    let clock = build(&late, None, None);
    assert_times(&clock.times_s, &uniform(100, 29.97), ROUNDING);
    assert_times(&clock.uniform_times_s, &uniform(100, 29.97), ROUNDING);
    assert!((clock.frame_rate_hz - 29.97).abs() < 1e-9);
    assert_eq!((clock.slow_factor, clock.findings.len()), (1.0, 0));
}

#[test]
fn a_capture_rate_tag_undoes_slow_motion() {
    let clock = build(&uniform(63, 30.0), Some(240.0), None);
    assert!((clock.slow_factor - 8.0).abs() < 1e-9);
    assert_times(&clock.times_s, &uniform(63, 240.0), ROUNDING);
    assert!(matches!(clock.findings[..], [Finding::SlowMotionUndone { stated_by_user: false, .. }]));
    assert!(clock.description.contains("240.00") && clock.description.contains("8.00 times"));
    assert!(clock.relative_standard_uncertainty > build(&uniform(63, 30.0), None, None).relative_standard_uncertainty);
}

#[test]
fn a_tag_that_names_the_stamps_own_rate_changes_nothing() {
    for tag in [30.0, 29.97, 30.1] {
        let clock = build(&uniform(50, 29.97), Some(tag), None);
        assert_times(&clock.times_s, &uniform(50, 29.97), ROUNDING);
        assert_eq!(clock.findings, []);
    }
    // In poor light the camera slows down and the tag stays; the stamps are right then.
    let dim = build(&uniform(50, 24.0), Some(30.0), None);
    assert_times(&dim.times_s, &uniform(50, 24.0), ROUNDING);
    assert!(matches!(dim.findings[..], [Finding::TagNotUsed { .. }]));
}

#[test]
fn the_users_word_goes_before_the_tag() {
    let clock = build(&uniform(50, 30.0), Some(240.0), Some(120.0));
    assert_times(&clock.times_s, &uniform(50, 120.0), ROUNDING);
    assert!(matches!(clock.findings[..], [Finding::SlowMotionUndone { stated_by_user: true, .. }]));
    let named = build(&uniform(50, 29.97), None, Some(30.0));
    assert_times(&named.times_s, &uniform(50, 29.97), ROUNDING);
    let stamps: Vec<_> = uniform(5, 30.0).into_iter().map(Some).collect();
    let bad = Clock::build(&stamps, &info(None), &ClipReport::default(), Some(f64::NAN));
    assert!(matches!(bad, Err(ClipError::BadRate(_))));
}

/// A tag of 10⁹ frames a second, stamps a thousand seconds or a nanosecond apart, and a user who slips.
#[test]
fn rates_at_which_no_camera_records_are_not_taken() {
    for tag in [1e9, 0.2, -240.0, f64::NAN, f64::INFINITY] {
        let clock = build(&uniform(50, 30.0), Some(tag), None);
        assert_eq!((clock.slow_factor, clock.findings.len()), (1.0, 0), "{tag}");
    }
    let of = |rate: f64, user| {
        let stamps: Vec<_> = uniform(50, rate).into_iter().map(Some).collect();
        Clock::build(&stamps, &info(None), &ClipReport::default(), user)
    };
    for rate in [1e-3, 0.9, 1e9] {
        assert!(matches!(of(rate, None), Err(ClipError::BadTimes { .. })), "{rate}");
        assert!(matches!(of(30.0, Some(rate)), Err(ClipError::BadRate(_))), "{rate}");
    }
    assert!(of(1.5, None).is_ok() && of(90_000.0, None).is_ok() && of(30.0, Some(1000.0)).is_ok());
    // Stamps are wrong now and then and the user knows better.
    assert!((of(1e-3, Some(240.0)).unwrap().frame_rate_hz - 240.0).abs() < 1e-6);
}

#[test]
fn a_cut_in_slow_motion_is_reported_and_does_not_bend_the_rate() {
    // The stamps of a phone's slow motion: a first interval of 0.325344 s, the rest 1/30 s, tagged 240.
    let mut stamps = vec![0.0];
    stamps.extend((0..6).map(|i| 0.325_344 + f64::from(i) / 30.0));
    let clock = build(&stamps, Some(240.0), None);
    assert!((clock.slow_factor - 8.0).abs() < 1e-9);
    assert!((clock.frame_rate_hz - 240.0).abs() < 1e-6);
    let gap = clock.findings.iter().find(|finding| matches!(finding, Finding::Gap { .. })).unwrap();
    assert!(matches!(gap, Finding::Gap { gap_s, frames_missing: 9, .. } if (gap_s - 0.325_344).abs() < 1e-9));
}

#[test]
fn dropped_frames_are_gaps_of_whole_steps() {
    let all = uniform(60, 60.0);
    let kept: Vec<f64> = all.iter().enumerate().filter(|(i, _)| !matches!(i, 20 | 21 | 40)).map(|(_, s)| *s).collect();
    let clock = build(&kept, None, None);
    assert_times(&clock.uniform_times_s, &kept, ROUNDING);
    assert!((clock.frame_rate_hz - 60.0).abs() < 1e-9);
    let missing: Vec<usize> = clock
        .findings
        .iter()
        .filter_map(|finding| match finding {
            Finding::Gap { frames_missing, .. } => Some(*frames_missing),
            _ => None,
        })
        .collect();
    assert_eq!(missing, [2, 1]);
    assert!(clock.description.ends_with("; 2 gaps"));
}

#[test]
fn missing_and_disordered_stamps_are_filled_in_evenly() {
    let mut stamps: Vec<Option<f64>> = uniform(40, 25.0).into_iter().map(Some).collect();
    for i in [0, 5, 6, 39] {
        stamps[i] = None;
    }
    stamps[10] = stamps[9]; // repeated
    stamps[20] = Some(0.1); // gone back
    stamps[30] = Some(99.0); // gone astray; the later ones must survive it
    let clock = Clock::build(&stamps, &info(None), &ClipReport::default(), None).unwrap();
    assert_times(&clock.times_s, &uniform(40, 25.0), ROUNDING);
    assert!(clock.findings.contains(&Finding::MissingStamps { count: 4 }));
    assert!(clock.findings.contains(&Finding::StampsOutOfOrder { count: 3 }));
}

#[test]
fn stamps_in_whole_milliseconds_are_taken_for_the_rate_they_round() {
    let truth = uniform(90, 30.0);
    let rounded: Vec<f64> = truth.iter().map(|time| (time * 1e3).round() / 1e3).collect();
    let clock = build(&rounded, None, None);
    // Rounding is spread evenly, so the slope over 3 s is good to a fraction of a unit.
    assert_times(&clock.times_s, &truth, 0.3e-3);
    assert!((clock.frame_rate_hz - 30.0).abs() < 0.005, "{}", clock.frame_rate_hz);
    let [Finding::RoundedStamps { resolution_s }] = clock.findings[..] else { panic!("{:?}", clock.findings) };
    assert!((resolution_s - 1e-3).abs() < 1e-12);
    let rounding_alone = rounded.iter().zip(&truth).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(clock.times_s.iter().zip(&truth).all(|(a, b)| (a - b).abs() < rounding_alone));
}

#[test]
fn six_hundredths_of_quicktime_are_recognised_too() {
    let truth = uniform(77, 30_000.0 / 1001.0);
    let rounded: Vec<f64> = truth.iter().map(|time| (time * 600.0).round() / 600.0).collect();
    let clock = build(&rounded, None, None);
    assert!((clock.frame_rate_hz - 29.97).abs() < 0.01);
    assert!(matches!(clock.findings[..], [Finding::RoundedStamps { .. }]));
}

#[test]
fn real_jitter_is_kept_and_its_size_told() {
    let jittered: Vec<f64> =
        uniform(60, 60.0).iter().enumerate().map(|(i, t)| t + 0.6e-3 * ((i * 7 % 11) as f64 / 5.0 - 1.0)).collect();
    let clock = build(&jittered, None, None);
    let from_first: Vec<f64> = jittered.iter().map(|stamp| stamp - jittered[0]).collect();
    assert_times(&clock.times_s, &from_first, ROUNDING);
    assert!((0.5e-3..2e-3).contains(&clock.largest_jitter_s));
    assert_eq!(clock.findings, []);
}

#[test]
fn a_lasting_change_of_step_is_reported_once() {
    for (before_hz, after_hz) in [(60.0, 30.0), (30.0, 24.0), (30.0, 240.0)] {
        let mut stamps = uniform(30, before_hz);
        let turn = stamps[29];
        stamps.extend((1..30).map(|i| turn + f64::from(i) / after_hz));
        let clock = build(&stamps, None, None);
        let changes: Vec<_> = clock.findings.iter().filter(|f| matches!(f, Finding::StepChange { .. })).collect();
        assert_eq!(changes.len(), 1, "{before_hz} to {after_hz}");
        assert!(matches!(changes[0], Finding::StepChange { at_s, .. } if (at_s - turn).abs() < 1e-9));
        assert_times(&clock.times_s, &stamps, ROUNDING);
        assert_eq!(clock.uniform_times_s, clock.times_s);
    }
}

#[test]
fn the_makers_pieces_are_told_and_leave_the_clock_alone() {
    let report = ClipReport {
        slow_segments: vec![SlowSegment { from_s: 0.1, to_s: 0.9, factor: 2.0 }],
        ..ClipReport::default()
    };
    let stamps: Vec<_> = uniform(63, 30.0).into_iter().map(Some).collect();
    let clock = Clock::build(&stamps, &info(Some(240.0)), &report, None).unwrap();
    assert_times(&clock.times_s, &uniform(63, 240.0), ROUNDING);
    assert!(clock.findings.contains(&Finding::MakersPieces { count: 1 }));
}

#[test]
fn without_any_stamp_a_stated_rate_is_used_and_without_that_nothing() {
    let clock = Clock::build(&[None; 5], &info(None), &ClipReport::default(), None).unwrap();
    assert_eq!(clock.times_s, uniform(5, 30.0));
    assert_eq!(clock.findings, [Finding::NoStamps { rate_hz: 30.0 }]);
    let silent = ClipInfo { stated_rate_hz: None, ..info(None) };
    assert!(matches!(Clock::build(&[None; 5], &silent, &ClipReport::default(), None), Err(ClipError::NoTimes)));
    assert_eq!(build(&[], None, None).times_s, [0.0; 0]);
    assert_eq!(build(&[7.0], None, None).times_s, [0.0]);
}
