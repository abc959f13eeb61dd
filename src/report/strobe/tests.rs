use super::*;
use crate::report::sample::{Shot, measurement, strobe_input};

fn middle_colour(image: &RgbImage, at: PixelPoint) -> [u8; 3] {
    image.get_pixel(at.x.round() as u32, at.y.round() as u32).0
}

#[test]
fn every_ball_is_shown_once_from_its_own_frame() {
    let shot = Shot { points: 16, rate_hz: 25.0, radius_px: 12.0, streak: false, ..Shot::default() };
    let measurement = measurement(&[shot]);
    let flight = &measurement.flights[0];
    let input = strobe_input(flight);
    let image = picture(&input, flight, &measurement, DecimalMark::Point);
    for patch in &input.patches {
        // The middle of the ball as it was filmed: the balls are not mixed with the wall, nor is the path drawn over them.
        let [r, g, b] = middle_colour(&image, patch.centre_px);
        assert!(r.abs_diff(240) <= 3 && g.abs_diff(120) <= 3 && b.abs_diff(30) <= 3, "{r} {g} {b}");
    }
}

#[test]
fn sightings_left_out_of_the_fit_are_shown_with_a_ring() {
    let shot = Shot { points: 12, rate_hz: 25.0, outlier: true, streak: false, ..Shot::default() };
    let measurement = measurement(&[shot]);
    let flight = &measurement.flights[0];
    let input = strobe_input(flight);
    assert_eq!(shown(&input, flight).len(), 12);
    let image = picture(&input, flight, &measurement, DecimalMark::Point);
    // The ring's vermilion, which the still has nowhere else, stands outside the ball.
    let ringed = |row: &SightingRow| {
        let around = (row.radius_px as i32 + 1)..=(row.radius_px as i32 + 12);
        let red = |dx: i32| {
            let at = PixelPoint::new(row.centre_px.x + f64::from(dx), row.centre_px.y);
            middle_colour(&image, at) == [labels::VERMILLION.0, labels::VERMILLION.1, labels::VERMILLION.2]
        };
        around.into_iter().any(red)
    };
    assert!(flight.sightings.iter().all(|row| ringed(row) != row.used));
}

#[test]
fn the_mask_is_the_streaked_disc_with_a_thin_rim() {
    let measurement = measurement(&[Shot::default()]);
    let mut patch = strobe_input(&measurement.flights[0]).patches.remove(0);
    (patch.centre_px, patch.radius_px, patch.streak_px) = (PixelPoint::new(50.0, 50.0), 5.0, Some((20.0, 0.0)));
    assert_eq!(share(&patch, PixelPoint::new(60.0, 50.0)), 1.0);
    assert_eq!(share(&patch, PixelPoint::new(65.0, 50.0)), 1.0);
    assert_eq!(share(&patch, PixelPoint::new(50.0, 58.0)), 0.0);
    assert!((0.1..0.9).contains(&share(&patch, PixelPoint::new(50.0, 56.0))));
}

#[test]
fn small_clips_are_enlarged_for_their_labels() {
    let measurement = measurement(&[Shot { points: 8, ..Shot::default() }]);
    let flight = &measurement.flights[0];
    let mut input = strobe_input(flight);
    let plane = |width, height| crate::clip::Plane { width, height, samples: vec![128; width * height] };
    input.background.luma = plane(320, 180);
    (input.background.cb, input.background.cr) = (plane(160, 90), plane(160, 90));
    let image = picture(&input, flight, &measurement, DecimalMark::Point);
    assert_eq!(image.dimensions(), (960, 540));
}
