//! What a user would know of a rendered scene, and its truth as a measurement gives it.

use lobline::scene::{Scene, Truth};
use lobline::units::PixelPoint;

/// The truth with all places as the first frame's camera would see them: where the camera moves, that is what places are said
/// in, those that the user marks as well.
pub fn in_the_first_frame(scene: &Scene, mut truth: Truth) -> Truth {
    if scene.shake.is_still() {
        return truth;
    }
    let view = scene.view_at(truth.frames[0].start_s);
    for ball in truth.frames.iter_mut().flat_map(|frame| &mut frame.balls) {
        ball.centre_px = view.project(&ball.position_m.into()).unwrap();
    }
    for (scale, bar) in truth.scales.iter_mut().zip(&scene.scales) {
        scale.a_px = view.project(&bar.a_m.into());
        scale.b_px = view.project(&bar.b_m.into());
    }
    truth
}

/// Ends of the batten to the whole pixel, as a pointer on the screen gives them.
pub fn marked_ends(truth: &Truth) -> (PixelPoint, PixelPoint) {
    let end = |point: Option<PixelPoint>| {
        let point = point.expect("the batten's ends are in view");
        PixelPoint::new(point.x.round(), point.y.round())
    };
    (end(truth.scales[0].a_px), end(truth.scales[0].b_px))
}

/// The rig as a user would write it.
pub fn rig_text(scene: &Scene, truth: &Truth, more: &str) -> String {
    let (a, b) = marked_ends(truth);
    let scale = &truth.scales[0];
    format!(
        "[scale]\n\
         lengths = ['{},{} to {},{} = {:.3} m']\n\
         # Rounding to the whole pixel: 1/√12.\n\
         end_uncertainty = '0.29 px'\n\
         offset = '{} m u 2 mm'\n\
         [camera]\n\
         distance = '{:.2} m u 2 cm'\n\
         {more}\n",
        a.x, a.y, b.x, b.y, scale.length_m, scale.z_m, scene.camera.position_m[2]
    )
}
