use super::*;
use crate::clip::{self, ClipInfo, ClipReport, Frame, ReadOptions};
use crate::report::rgb;
use crate::report::sample::{Shot, measurement, strobe_input};

/// The background of the made-up scene, over and over.
struct Still {
    info: ClipInfo,
    picture: Picture,
    stamps: std::vec::IntoIter<f64>,
    index: usize,
}

impl FrameSource for Still {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, ClipError> {
        let Some(stamp) = self.stamps.next() else { return Ok(None) };
        let frame = Frame { index: self.index, stamp_s: Some(stamp), picture: self.picture.clone() };
        self.index += 1;
        Ok(Some(frame))
    }

    fn report(&self) -> ClipReport {
        ClipReport::default()
    }
}

fn made_up() -> (Measurement, Still, Vec<f64>) {
    let measurement = measurement(&[Shot { points: 12, rate_hz: 30.0, ..Shot::default() }]);
    let picture = strobe_input(&measurement.flights[0]).background;
    // Uneven stamps, as phones write them.
    let stamps: Vec<f64> = (0..40).map(|i| f64::from(i) / 30.0 + if i % 3 == 0 { 0.002 } else { 0.0 }).collect();
    let still = Still { info: measurement.clip.clone(), picture, stamps: stamps.clone().into_iter(), index: 0 };
    (measurement, still, stamps)
}

fn stamps_of(path: &Path) -> Vec<f64> {
    let mut source = clip::open(path, &ReadOptions::default()).unwrap();
    std::iter::from_fn(|| source.next_frame().unwrap()).map(|f| f.stamp_s.unwrap()).collect()
}

#[test]
fn the_reader_finds_the_frames_at_their_own_times() {
    let (measurement, mut still, stamps) = made_up();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("overlay.mp4");
    let options = OverlayOptions { freeze_s: 0.0, ..OverlayOptions::default() };
    write(&mut still, &measurement, &path, &options, &mut |_| {}).unwrap();
    let back = stamps_of(&path);
    assert_eq!(back.len(), stamps.len());
    for (got, want) in back.iter().zip(&stamps) {
        // Half a tick of the writer's 1/90000 s for each of the two ends.
        assert!((got - back[0] - (want - stamps[0])).abs() < 1.2e-5, "{got} {want}");
    }
}

#[test]
fn phones_and_browsers_can_play_it() {
    let (measurement, mut still, _) = made_up();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("overlay.mp4");
    write(&mut still, &measurement, &path, &OverlayOptions::default(), &mut |_| {}).unwrap();
    let bytes = std::fs::read(&path).unwrap();
    let place = |name: &[u8]| bytes.windows(4).position(|four| four == name);
    let Some(record) = place(b"avcC") else {
        eprintln!("skipped: no H.264 encoder here");
        return;
    };
    // Decoder configuration record of ISO/IEC 14496-15, 5.3.3.1: version, profile, compatibility, level. 1280 × 720 are 3600
    // macroblocks; at up to 60 of them a second ITU-T H.264, table A-1, asks for level 3.2 at most (from memory).
    let (profile, level) = (bytes[record + 5], bytes[record + 7]);
    assert!(profile == 100 && level <= 32, "profile {profile}, level {level}");
    // The table of contents before the pictures, for playing while loading.
    assert!(place(b"moov") < place(b"mdat"));
}

#[test]
fn the_picture_stands_still_at_the_landing_and_slows_in_the_flight() {
    let (measurement, _, stamps) = made_up();
    let rows = &measurement.flights[0].sightings;
    let (first, last) = (rows[0].frame, rows[rows.len() - 1].frame);
    let options = OverlayOptions { slow_factor: 4.0, freeze_s: 2.0, ..OverlayOptions::default() };
    let mut timing = timing::Timing::new(&measurement, &options);
    let shown: Vec<Vec<f64>> = stamps.iter().enumerate().map(|(i, s)| timing.stamps(i, Some(*s))).collect();
    let flight_s = stamps[last] - stamps[first];
    assert!((shown[last][0] - shown[first][0] - 4.0 * flight_s).abs() < 1e-9);
    assert_eq!(shown[last].len(), 20);
    assert!((shown[last + 1][0] - shown[last][0] - 2.0 - (stamps[last + 1] - stamps[last])).abs() < 1e-9);
    let all: Vec<f64> = shown.concat();
    assert!(all.windows(2).all(|w| w[0] < w[1]));
}

#[test]
fn only_what_lies_under_the_drawing_changes() {
    let (measurement, still, _) = made_up();
    let flight = &measurement.flights[0];
    let before = still.picture.clone();
    let mut early = before.clone();
    scene::draw(&measurement, flight.sightings[0].frame - 1, DecimalMark::Point, &mut early);
    assert_eq!(early, before);
    let mut late = before.clone();
    scene::draw(&measurement, flight.sightings[8].frame, DecimalMark::Point, &mut late);
    let changed = late.luma.samples.iter().zip(&before.luma.samples).filter(|(a, b)| a != b).count();
    assert!(changed > 500 && changed < before.luma.samples.len() / 10, "{changed}");
    // A dot of an earlier ball has the colour of measured points, up to the rounding of chroma.
    let dot = flight.sightings[2].centre_px;
    let [r, g, b] = rgb::from_picture(&late).get_pixel(dot.x.round() as u32, dot.y.round() as u32).0;
    assert!(r < 30 && g.abs_diff(0x9e) < 12 && b.abs_diff(0x73) < 12, "{r} {g} {b}");
}

#[test]
fn senseless_wishes_are_refused() {
    let (measurement, mut still, _) = made_up();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("overlay.mp4");
    let options = OverlayOptions { slow_factor: 0.0, ..OverlayOptions::default() };
    let refused = write(&mut still, &measurement, &path, &options, &mut |_| {});
    assert!(matches!(refused, Err(OverlayError::BadFactor(_))));
    let empty = Measurement { flights: Vec::new(), ..measurement };
    let refused = write(&mut still, &empty, &path, &OverlayOptions::default(), &mut |_| {});
    assert!(matches!(refused, Err(OverlayError::NoFlight)));
    assert!(!path.exists());
}

/// A moving recording of the made-up shot, for the overlay.
#[test]
#[ignore = "writes a clip to look at"]
fn overlay_gallery() {
    let (measurement, mut still, _) = made_up();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/gallery/overlay.mp4");
    let options = OverlayOptions { slow_factor: 4.0, ..OverlayOptions::default() };
    write(&mut still, &measurement, &path, &options, &mut |_| {}).unwrap();
}
