//! The pictures against the truth.

use super::*;
use crate::clip::Picture;

/// Alpha-weighted centroid of what differs from the first, empty picture, in linear light.
fn centroid_and_weight(picture: &Picture, empty: &Picture) -> (f64, f64, f64) {
    let light = |code: u8| {
        let v = f64::from(code) / 255.0;
        if v < 0.081 { v / 4.5 } else { ((v + 0.099) / 1.099).powf(1.0 / 0.45) }
    };
    let (mut w, mut wx, mut wy) = (0.0, 0.0, 0.0);
    for (i, (a, b)) in picture.luma.samples.iter().zip(&empty.luma.samples).enumerate() {
        let d = light(*a) - light(*b);
        w += d;
        wx += d * (i % picture.width()) as f64;
        wy += d * (i / picture.width()) as f64;
    }
    (wx / w, wy / w, w)
}

/// A flat white ball on a plain dark wall, without noise.
fn plain_disc(seed: u64) -> Scene {
    let mut scene = presets::clean_60fps(seed);
    scene.sensor = Sensor { full_well: 6000.0, ..Sensor::NOISELESS };
    scene.set = vec![Piece::wall(-1.5, Paint::Plain([0.05; 3]))];
    scene.launches[0].ball = Ball { albedo: [0.8; 3], ambient: 1.0, specular: 0.0, ..Ball::orange_foam() };
    scene
}

/// Largest distance between the pictures' centroids and the true outlines' over the fully visible frames of the flight.
fn worst_centroid_error(scene: &Scene) -> (f64, usize) {
    let truth = truth(scene);
    let mut empty_scene = scene.clone();
    empty_scene.launches[0].placed_s = 1e9;
    let empty = render(&empty_scene).next().unwrap().0;
    let (mut worst, mut count) = (0.0_f64, 0);
    for ((picture, _), frame) in render(scene).zip(&truth.frames) {
        let Some(ball) = frame.balls.iter().find(|b| b.phase == Phase::Flight && b.visible == 1.0) else { continue };
        let (x, y, weight) = centroid_and_weight(&picture, &empty);
        let area = std::f64::consts::PI * ball.radius_px * ball.radius_px;
        // Codes of 8 bits: the weight of some 300 px at 0.75 is good to a few parts in a thousand. A rolling shutter stretches
        // or squeezes the ball by speed × readout / height, up to 2 % here.
        let give = if scene.shutter.readout_s == 0.0 { 0.01 } else { 0.035 };
        assert!((weight / (0.75 * area) - 1.0).abs() < give, "frame {}: weight {weight}, area {area}", frame.frame);
        worst = worst.max(crate::units::PixelPoint::new(x, y).distance(ball.outline_px));
        count += 1;
    }
    (worst, count)
}

#[test]
fn a_plain_disc_is_where_the_truth_says() {
    let scene = plain_disc(1);
    let (worst, count) = worst_centroid_error(&scene);
    assert!(count > 25, "{count}");
    // Rounding to 8 bits spreads the centroid of a 300 px disc by some 0.01 px.
    assert!(worst < 0.05, "{worst}");
}

#[test]
fn a_tilted_camera_with_a_lens_and_a_rolling_shutter_keeps_to_the_truth() {
    for (lines, readout_s) in [(Lines::Rows, 0.015), (Lines::Rows, -0.02), (Lines::Columns, 0.012)] {
        let mut scene = plain_disc(2);
        scene.camera = scene.camera.orbit([1.5, 1.2, 0.0], 11.0, -4.0);
        (scene.camera.k1, scene.camera.k2, scene.camera.roll_deg) = (-0.12, 0.03, 2.0);
        scene.shutter = Shutter { exposure_s: 0.004, readout_s, lines };
        let (worst, count) = worst_centroid_error(&scene);
        assert!(count > 20, "{count}");
        // As above; the sag of a streak within 4 ms (g t²/24) is 0.002 px.
        assert!(worst < 0.05, "{lines:?} {readout_s}: {worst}");
    }
}

#[test]
fn a_balls_time_is_that_of_its_own_line() {
    for (lines, readout_s) in [(Lines::Rows, 0.02), (Lines::Columns, -0.015)] {
        let mut scene = presets::clean_60fps(3);
        // Lines read before line 0 are exposed before time 0.
        scene.launches[0].placed_s = -1.0;
        scene.shutter = Shutter { exposure_s: 0.003, readout_s, lines };
        let truth = truth(&scene);
        for frame in &truth.frames {
            let ball = &frame.balls[0];
            let share = match lines {
                Lines::Rows => ball.centre_px.y / 720.0,
                Lines::Columns => ball.centre_px.x / 1280.0,
            };
            let expected = frame.start_s + 0.0015 + readout_s * share;
            // The fixed point stops at 1e-12 s.
            assert!((ball.mid_exposure_s - expected).abs() < 1e-11, "{frame:?}");
        }
    }
}

#[test]
fn noise_has_the_stated_level() {
    let mut scene = Scene::plain("noise", 4);
    scene.sensor = Sensor { full_well: 2000.0, read_noise: 4.0, noisy: true, blur_px: 0.0, vignette: 0.0 };
    scene.set = vec![Piece::wall(-1.0, Paint::Plain([0.3; 3]))];
    scene.scales.clear();
    scene.timing = Timing::steady(60.0, 2);
    let pictures: Vec<Picture> = render(&scene).map(|(p, _)| p).collect();
    let pairs = || pictures[0].luma.samples.iter().zip(&pictures[1].luma.samples);
    let n = pairs().count() as f64;
    let mean = pairs().map(|(a, _)| f64::from(*a)).sum::<f64>() / n;
    let variance = pairs().map(|(a, b)| (f64::from(*a) - f64::from(*b)).powi(2)).sum::<f64>() / (2.0 * n);
    // Three independent channels weighed by the luma coefficients, through the slope of the BT.709 curve at 0.3, and the
    // variance 1/12 of rounding.
    let slope = 255.0 * (bt709_oetf(0.301) - bt709_oetf(0.299)) / 0.002;
    let weights = (0.2126_f64.powi(2) + 0.7152_f64.powi(2) + 0.0722_f64.powi(2)).sqrt();
    let expected = ((slope * scene.sensor.noise_at(0.3) * weights).powi(2) + 1.0 / 12.0).sqrt();
    // Of 921600 pixels, the standard deviation is good to 0.1 %; the curve's bend over the noise adds a few tenths.
    assert!((variance.sqrt() / expected - 1.0).abs() < 0.01, "{} against {expected}", variance.sqrt());
    assert!((mean - 255.0 * bt709_oetf(0.3)).abs() < 0.1, "{mean}");
}

#[test]
fn neighbouring_pixels_have_independent_noise() {
    let mut scene = Scene::plain("noise", 5);
    scene.sensor = Sensor { full_well: 800.0, read_noise: 4.0, noisy: true, blur_px: 0.0, vignette: 0.0 };
    scene.scales.clear();
    scene.timing = Timing::steady(60.0, 2);
    let pictures: Vec<Picture> = render(&scene).map(|(p, _)| p).collect();
    let (a, b) = (&pictures[0].luma.samples, &pictures[1].luma.samples);
    let mean = a.iter().map(|v| f64::from(*v)).sum::<f64>() / a.len() as f64;
    let product = |p: &[u8], q: &[u8]| -> f64 {
        p.iter().zip(q).map(|(x, y)| (f64::from(*x) - mean) * (f64::from(*y) - mean)).sum::<f64>() / p.len() as f64
    };
    let variance = product(a, a);
    for (what, other) in
        [("right", product(a, &a[1..])), ("below", product(a, &a[1280..])), ("next frame", product(a, b))]
    {
        // Correlations of 921600 pairs scatter by 0.001.
        assert!((other / variance).abs() < 0.006, "{what}: {}", other / variance);
    }
}

#[test]
fn a_seed_gives_the_same_recording_on_any_number_of_threads() {
    let frames = |threads: usize, seed: u64| -> Vec<Picture> {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| render(&presets::clean_60fps(seed)).take(26).map(|(p, _)| p).skip(22).collect())
    };
    let one = frames(1, 7);
    assert!(one == frames(3, 7));
    assert!(one != frames(1, 8));
}

#[test]
fn retouching_a_quiet_scene_gives_what_developing_it_whole_gives() {
    let scene = plain_disc(3);
    let mut flickering = scene.clone();
    // A drift too small to change a code takes the other way through the renderer.
    flickering.light.drift_per_s = 1e-9;
    for ((a, _), (b, _)) in render(&scene).zip(render(&flickering)).skip(20).take(12) {
        assert!(a == b);
    }
}

#[test]
fn a_source_gives_every_frame_with_its_stamp() {
    use crate::clip::FrameSource;
    let mut scene = Scene::plain("source", 1);
    scene.timing = Timing { dropped: vec![2], ..Timing::steady(30.0, 5) };
    let mut source = source(&scene);
    let mut stamps = Vec::new();
    while let Some(frame) = source.next_frame().unwrap() {
        assert_eq!(frame.index, stamps.len());
        stamps.extend(frame.stamp_s);
    }
    assert_eq!(source.report().frames, 4);
    assert!((stamps[2] - 0.1).abs() < 1e-12);
}

#[test]
fn resampling_a_turned_view_agrees_with_painting_it_anew() {
    // Gentle waves, some 14 px long, all over.
    let wave = |i: usize| 0.35 + 0.25 * (i as f64 * 0.45).sin();
    let texel = |i: usize| (255.0 * (wave(i % 1200) * wave(i / 1200)).powf(0.45)) as u8;
    let page = Raster::from_srgb(1200, 1200, 1, &(0..1200 * 1200).map(texel).collect::<Vec<_>>()).unwrap();
    let mut scene = presets::printed_page(4, page, 6.0, [1.5, 1.2, -0.3], [10.0, 0.0, 0.0]);
    scene.shake = Shake { turn_deg: 0.25, roll_deg: 0.1, ..Shake::default() };
    scene.timing = Timing::steady(8.0, 3);
    scene.launches[0].release_s = -0.2;
    scene.sensor = Sensor { vignette: 0.2, ..Sensor::NOISELESS };
    (scene.camera.k1, scene.launches[0].ball.ambient) = (-0.1, 1.0);
    // A shift of a nanometre takes the exact way through the renderer.
    let mut exact = scene.clone();
    exact.shake.shift_m = 1e-9;
    for ((a, _), (b, _)) in render(&scene).zip(render(&exact)) {
        let pairs = a.luma.samples.iter().zip(&b.luma.samples);
        let squares: i64 = pairs.map(|(p, q)| i64::from(p.abs_diff(*q)).pow(2)).sum();
        let rms = (squares as f64 / a.luma.samples.len() as f64).sqrt();
        // A place wrong by 0.1 px would show as 0.1 · 2π/14 of the waves' 40 codes: 1.3 codes rms. Rounding alone gives 0.4.
        assert!(rms < 0.7, "{rms}");
    }
}

#[test]
fn a_shaken_camera_sees_the_ball_where_the_truth_says() {
    let mut scene = plain_disc(6);
    scene.shake = Shake { turn_deg: 0.4, roll_deg: 0.3, ..Shake::default() };
    scene.scales.clear();
    // With nothing but an even wall behind, the still picture is the same in each pose.
    scene.launches[0].launcher = Launcher::Held;
    let (worst, count) = worst_centroid_error(&scene);
    assert!(count > 25 && worst < 0.05, "{count} {worst}");
}

#[test]
fn every_preset_shows_what_it_is_named_for() {
    for scene in presets::all(3) {
        let truth = truth(&scene);
        let name = scene.name.as_str();
        let flying: Vec<&BallTruth> = truth
            .frames
            .iter()
            .flat_map(|f| &f.balls)
            .filter(|b| b.phase == Phase::Flight && b.visible > 0.99)
            .collect();
        let expected = match name {
            "no_ball_walker" | "carried_and_whirled" => 0..1,
            "five_launches" => 150..400,
            "two_at_once" => 80..140,
            name if name.starts_with("slow_motion") => 150..300,
            _ => 12..90,
        };
        assert!(expected.contains(&flying.len()), "{name}: {} frames of flight in full view", flying.len());
        assert!(truth.frames.windows(2).all(|w| w[1].stamp_s > w[0].stamp_s), "{name}");
        assert!(truth.scales.iter().all(|s| s.a_px.is_some() && s.b_px.is_some()), "{name}");
        let all = |test: &dyn Fn(&BallTruth) -> bool| flying.iter().all(|b| test(b));
        match name {
            "streaks" => assert!(all(&|b| b.streak_length_px() > 2.0 * b.radius_px), "{name}"),
            "small_ball" => assert!(all(&|b| (b.radius_px - 2.0).abs() < 0.1), "{name}"),
            "big_ball" => assert!(all(&|b| (50.0..54.0).contains(&b.radius_px)), "{name}"),
            "pole" => assert!(truth.frames.iter().flat_map(|f| &f.balls).any(|b| b.visible == 0.0), "{name}"),
            "bounce_in_flight" => assert!(truth.flights[0].landing.unwrap().y_m > 0.5, "{name}"),
            "bounces" => assert!(truth.flights[0].impacts.len() >= 2, "{name}"),
            "two_at_once" => {
                assert!(
                    truth.frames.iter().any(|f| f.balls.iter().filter(|b| b.phase == Phase::Flight).count() == 2),
                    "{name}"
                );
            }
            "cut_by_the_frame" => {
                let cut = truth.in_flight(0, 0.5).filter(|(_, b)| b.visible < 0.95).count();
                assert!(cut >= 5, "{name}: {cut}");
            }
            "vertical_toss" => {
                let landing = truth.flights[0].landing.unwrap();
                // Back in the hand with the speed it left with, less what the air takes: ½·ρ·c·A·v²/m on 25 g is a twelfth of g at first.
                assert!((landing.y_m - 1.0).abs() < 1e-6, "{landing:?}");
                assert!((4.3..4.6).contains(&-landing.vy_m_per_s), "{landing:?}");
            }
            "drifting_stand" => {
                let at = |start_s: f64| scene.view_at(start_s).project(&[1.5, 1.2, 0.0].into()).unwrap();
                let moved = at(0.0).distance(at(1.5));
                assert!((2.0..6.0).contains(&moved), "{name}: {moved}");
            }
            _ => {}
        }
    }
}

#[test]
fn varied_scenes_show_their_whole_flight() {
    for seed in 0..60 {
        let scene = presets::varied(seed, &presets::Spread::HANDHELD_STUDENT);
        let truth = truth(&scene);
        let flying = || truth.frames.iter().flat_map(|f| &f.balls).filter(|b| b.phase == Phase::Flight);
        let (all, seen) = (flying().count(), flying().filter(|b| b.visible > 0.99).count());
        // The tube still hides some of the first frames.
        assert!(seen >= 10 && all - seen <= 2 + all / 6, "{seed}: {seen} of {all}");
        assert!(flying().all(|b| b.radius_px > 3.0), "{seed}");
        assert!(truth.scales[0].a_px.zip(truth.scales[0].b_px).is_some_and(|(a, b)| a.distance(b) > 60.0), "{seed}");
    }
    assert_eq!(truth(&presets::varied(9, &presets::Spread::NONE)), truth(&presets::varied(9, &presets::Spread::NONE)));
}

#[test]
fn the_demo_ball_ends_in_the_bucket() {
    let truth = truth(&presets::demo(1));
    let landing = truth.flights[0].landing.unwrap();
    // The label's speed is rounded to 1 cm/s, which moves the landing by some 1 cm; the mouth is 15 cm either way.
    assert!((landing.x_m - 2.75).abs() < 0.02 && landing.y_m < 0.40, "{landing:?}");
    let last = truth.frames.last().unwrap();
    assert_eq!(last.balls[0].phase, Phase::After);
}

#[test]
fn the_ends_of_a_scale_are_seen_where_the_truth_says() {
    for scene in [presets::yaw(1), presets::barrel(1), presets::scale_behind_plane(1), presets::roll(1)] {
        let truth = truth(&scene);
        let picture = render(&scene).next().unwrap().0;
        for end in [truth.scales[0].a_px.unwrap(), truth.scales[0].b_px.unwrap()] {
            let luma = |dx: i32, dy: i32| {
                let (x, y) = (end.x.round() as i32 + dx, end.y.round() as i32 + dy);
                picture.luma.samples[y as usize * picture.width() + x as usize]
            };
            // The mark is white within 1.8 px and dark blue out to 4.5 px.
            assert!(luma(0, 0) > luma(0, 3) + 40 && luma(0, 0) > luma(0, -3) + 40, "{}", scene.name);
        }
    }
}

#[test]
fn a_printed_page_hangs_where_it_was_put() {
    let size = 600;
    let dot = |i: usize| {
        let (x, y) = ((i % size) as f64 + 0.5 - 300.0, (i / size) as f64 + 0.5 - 200.0);
        if x.hypot(y) < 30.0 { 20 } else { 235 }
    };
    let samples: Vec<u8> = (0..size * size).map(dot).collect();
    let page = Raster::from_srgb(size, size, 1, &samples).unwrap();
    let turns = [25.0, 10.0, 5.0];
    let mut scene = presets::printed_page(1, page.clone(), 0.6, [2.0, 1.5, -0.2], turns);
    scene.sensor = Sensor::NOISELESS;
    scene.launches.clear();
    let picture = render(&scene).next().unwrap().0;
    let mut blank = scene.clone();
    let white = Raster::from_srgb(size, size, 1, &vec![235; size * size]).unwrap();
    *blank.set.last_mut().unwrap() = Piece::planar_image([2.0, 1.5, -0.2], 0.6, turns, white);
    let (x, y, _) = centroid_and_weight(&picture, &render(&blank).next().unwrap().0);
    // The dot's centre is 100 of 600 texels above the page's centre: 0.1 m of its 0.6 m.
    let piece = Piece::planar_image([2.0, 1.5, -0.2], 0.6, turns, page);
    let expected = scene.camera.view().project(&piece.place(0.3, 0.4)).unwrap();
    // Perspective shifts the outline's centre of a disc tilted by 27° by f r² sin(tilt) cos(tilt) / Z² = 0.02 px; rays 0.25 px
    // apart at its rim add a hundredth or two.
    assert!(expected.distance(crate::units::PixelPoint::new(x, y)) < 0.05, "{expected:?} {x} {y}");
}

/// Colours of a picture for looking at.
fn to_rgb(picture: &Picture) -> image::RgbImage {
    image::RgbImage::from_fn(picture.width() as u32, picture.height() as u32, |x, y| {
        let (x, y) = (x as usize, y as usize);
        let luma = f32::from(picture.luma.samples[y * picture.luma.width + x]);
        let at = |p: &crate::clip::Plane| f32::from(p.samples[y / 2 * p.width + x / 2]) - 128.0;
        let (cb, cr) = (at(&picture.cb), at(&picture.cr));
        let code = |v: f32| v.round().clamp(0.0, 255.0) as u8;
        image::Rgb([code(luma + 1.5748 * cr), code(luma - 0.1873 * cb - 0.4681 * cr), code(luma + 1.8556 * cb)])
    })
}

/// Processor time of this process so far, s, by the kernel's clock ticks of 10 ms; NaN where the kernel doesn't tell.
fn processor_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |i: usize| after_name.split_whitespace().nth(i).and_then(|t| t.parse().ok()).unwrap_or(f64::NAN);
    (ticks(11) + ticks(12)) / 100.0
}

/// Writes pictures of every preset to `target/scene-look` and prints the time taken per frame.
#[test]
#[ignore = "for looking at the presets by eye and for timing them"]
fn look_at_the_presets() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/scene-look");
    std::fs::create_dir_all(&folder).unwrap();
    let wanted = std::env::var("LOOK").unwrap_or_default();
    let drawn = (0..9).map(|seed| presets::varied(seed, &presets::Spread::HANDHELD_STUDENT));
    for scene in presets::all(1).into_iter().chain(drawn).filter(|s| s.name.contains(&wanted)) {
        let scene = &scene;
        let truth = truth(scene);
        let middle = truth.frames.iter().filter(|f| f.balls.iter().any(|b| b.phase == Phase::Flight)).count() / 2;
        let first = truth.frames.iter().position(|f| f.balls.iter().any(|b| b.phase == Phase::Flight));
        let shown = first.map_or(truth.frames.len() / 2, |f| f + middle);
        let mut frames = render(scene);
        let begun = std::time::Instant::now();
        let mut kept = frames.next().map(|(p, _)| p);
        let setting_up = begun.elapsed();
        let (begun, busy) = (std::time::Instant::now(), processor_seconds());
        let mut count = 0;
        for (i, (picture, _)) in frames.enumerate() {
            count += 1;
            if i + 1 == shown {
                kept = Some(picture);
            }
        }
        let each = begun.elapsed() / count.max(1);
        let busy_ms = 1000.0 * (processor_seconds() - busy) / f64::from(count.max(1));
        println!(
            "{:<24} first {setting_up:>9.1?}  then {each:>8.2?} and {busy_ms:.1} ms of processor a frame, {count} frames",
            scene.name
        );
        to_rgb(&kept.unwrap()).save(folder.join(format!("{}.png", scene.name))).unwrap();
    }
}
