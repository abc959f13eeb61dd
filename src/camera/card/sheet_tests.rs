//! The page as a printer would see it: turned into pixels by poppler, pasted into a scene and read back.

use std::path::Path;
use std::process::Command;

use nalgebra::Matrix3;
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};

use super::*;
use crate::camera::card::{FoundCard, find_cards};
use crate::camera::homography;
use crate::clip::{Plane, Transfer};
use crate::report::fonts::Face;

fn typeface() -> Typeface {
    Typeface { regular: Face::Regular.bytes(), bold: Face::Bold.bytes() }
}

const CARD_1: CardName = CardName { kind: CardKind::Card, number: 1 };
/// Fine, because poppler moves the edges of rectangles to whole pixels of its own.
const DPI: f64 = 600.0;
/// Pixels of the page that make one of the picture, as a camera farther away would see it.
const REDUCED: usize = 8;

/// The page's grey samples at [`DPI`], or `None` where poppler isn't installed.
fn printed(card: CardName, paper: Paper) -> Option<Plane> {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("card.pdf"), pdf(&[card], paper, typeface()).unwrap()).unwrap();
    let run = Command::new("pdftoppm")
        .args(["-gray", "-r", &DPI.to_string(), "-singlefile", "card.pdf", "card"])
        .current_dir(folder.path())
        .status();
    match run {
        Ok(status) => {
            assert!(status.success(), "pdftoppm refuses the page");
            Some(read_pgm(&folder.path().join("card.pgm")))
        }
        Err(_) => {
            println!("skipped: pdftoppm isn't installed");
            None
        }
    }
}

/// Means of [`REDUCED`] pixels either way.
fn reduced(page: &Plane) -> Plane {
    let (width, height) = (page.width / REDUCED, page.height / REDUCED);
    let count = REDUCED * REDUCED;
    let mean = |i: usize| {
        let (x, y) = (REDUCED * (i % width), REDUCED * (i / width));
        let at = |k: usize| u32::from(page.samples[(y + k / REDUCED) * page.width + x + k % REDUCED]);
        (((0..count).map(at).sum::<u32>() as usize + count / 2) / count) as u8
    };
    Plane { width, height, samples: (0..width * height).map(mean).collect() }
}

fn read_pgm(path: &Path) -> Plane {
    let bytes = std::fs::read(path).unwrap();
    let header: Vec<usize> = String::from_utf8_lossy(&bytes[..20])
        .split_whitespace()
        .skip(1)
        .take(2)
        .map(|number| number.parse().unwrap())
        .collect();
    let (width, height) = (header[0], header[1]);
    Plane { width, height, samples: bytes[bytes.len() - width * height..].to_vec() }
}

/// Pixel coordinates on the printed page of a place on the card (m from the lower left mark's lower left corner).
fn page_px(card: CardName, paper: Paper, at: crate::units::MetrePoint) -> (f64, f64) {
    let (w, h) = block_mm(card.kind);
    let left = (f64::from(paper.size_mm().0) - f64::from(w)) / 2.0;
    let (x, y) = (left + at.x * 1000.0, f64::from(MARKS_TOP_MM + h) - at.y * 1000.0);
    // Pixel 0 has its centre half a pixel in.
    (x / 25.4 * DPI - 0.5, y / 25.4 * DPI - 0.5)
}

fn check_corners(found: &FoundCard, paper: Paper, map: &Matrix3<f64>, allowed_px: f64) {
    assert_eq!(found.marks.len(), found.name.marks().unwrap().len());
    let mut squares = 0.0;
    let corners = found.corners();
    for (px, at) in &corners {
        let (x, y) = page_px(found.name, paper, *at);
        let (x, y) = homography::apply(map, x, y);
        squares += (px.x - x).powi(2) + (px.y - y).powi(2);
    }
    let rms = (squares / corners.len() as f64).sqrt();
    println!("{} on {paper:?}: corners {rms:.3} px RMS", found.name.words());
    assert!(rms < allowed_px, "{rms}");
}

#[test]
fn the_page_is_read_back_from_its_own_pixels() {
    for paper in [Paper::A4, Paper::Letter] {
        for name in [CARD_1, CardName { kind: CardKind::Sheet, number: 16 }] {
            let Some(page) = printed(name, paper) else { return };
            let found = find_cards(&reduced(&page), Transfer::Linear);
            assert_eq!(found.iter().map(|card| card.name).collect::<Vec<_>>(), [name]);
            let share = 1.0 / REDUCED as f64;
            let shift = 0.5 * share - 0.5;
            let smaller = Matrix3::new(share, 0.0, shift, 0.0, share, shift, 0.0, 0.0, 1.0);
            // Edges moved to whole pixels of the page are up to a sixteenth of one off here on each axis.
            check_corners(&found[0], paper, &smaller, 0.12);
        }
    }
}

#[test]
fn the_bar_is_as_long_as_it_says() {
    let Some(page) = printed(CARD_1, Paper::A4) else { return };
    // The first row below the marks that holds a long black run is the bar.
    let longest = |row: usize| {
        let line = &page.samples[row * page.width..(row + 1) * page.width];
        line.split(|sample| *sample > 128).map(<[u8]>::len).max().unwrap_or(0)
    };
    let below_marks = ((MARKS_TOP_MM + block_mm(CardKind::Card).1 + 2.0) / 25.4 * DPI as f32) as usize;
    let bar = (below_marks..page.height).map(longest).max().unwrap() as f64 / DPI * 25.4;
    // Counted in whole pixels: one of 0.042 mm at either end.
    assert!((bar - 150.0).abs() < 0.085, "{bar}");
}

/// The card hung in a scene: 300 px high marks' block seen under 40°, blurred and noisy.
#[test]
fn the_page_is_read_back_from_a_scene() {
    let Some(page) = printed(CARD_1, Paper::A4) else { return };
    let (w, h) = (page.width as f64, page.height as f64);
    let on_page = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)];
    let in_scene = [(210.3, 80.9), (455.2, 121.4), (470.8, 486.1), (200.6, 533.7)];
    let map = homography::fit(&on_page, &in_scene).unwrap().h;
    let back = map.try_inverse().unwrap();
    let (width, height) = (640, 600);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
    let noise = Normal::new(0.0, 2.0).unwrap();
    let mut samples = Vec::with_capacity(width * height);
    for i in 0..width * height {
        let light = scene_light(&page, &back, (i % width) as f64, (i / width) as f64);
        let grey = 255.0 * (1.055 * light.powf(1.0 / 2.4) - 0.055) + noise.sample(&mut rng);
        samples.push(grey.round().clamp(0.0, 255.0) as u8);
    }
    let found = find_cards(&Plane { width, height, samples }, Transfer::Srgb);
    assert_eq!(found.len(), 1);
    // The promise for a card in a clip: 0.15 px.
    check_corners(&found[0], Paper::A4, &map, 0.15);
}

/// Light of a scene's pixel: the page with ink and paper of 4 % and 75 %, a grey wall around it; blurred over 2.4 px.
fn scene_light(page: &Plane, back: &Matrix3<f64>, x: f64, y: f64) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    let steps = 11;
    for k in 0..steps * steps {
        let offset = |k: usize| (k as f64 - (steps / 2) as f64) * 0.25;
        let (dx, dy) = (offset(k % steps), offset(k / steps));
        let weight = (-(dx * dx + dy * dy) / (2.0 * 0.7 * 0.7)).exp();
        let (u, v) = homography::apply(back, x + dx, y + dy);
        let inside = u > -0.5 && v > -0.5 && u < page.width as f64 - 0.5 && v < page.height as f64 - 0.5;
        let paper =
            |u: f64, v: f64| f64::from(page.samples[v.round() as usize * page.width + u.round() as usize]) / 255.0;
        sum += weight * if inside { 0.04 + 0.71 * paper(u.max(0.0), v.max(0.0)) } else { 0.2 };
        weights += weight;
    }
    sum / weights
}

#[test]
fn numbers_beyond_the_set_are_refused() {
    let none = CardName { kind: CardKind::Card, number: 13 };
    assert_eq!(pdf(&[none], Paper::A4, typeface()), Err(SheetError::NoSuchCard("scale card 13".to_owned())));
    assert!(CardName { kind: CardKind::Sheet, number: 0 }.marks().is_none());
}

#[test]
fn hints_fit_on_both_papers() {
    let fonts = Fonts::of(typeface()).unwrap();
    for line in HINTS {
        let width = fonts.regular.width_mm(line, 7.6);
        assert!(width <= 186.0, "{width} mm: {line}");
    }
    for paper in [Paper::A4, Paper::Letter] {
        let last = MARKS_TOP_MM + block_mm(CardKind::Card).1 + 25.0 + 3.75 * (HINTS.len() - 1) as f32;
        // Printers leave some 5 mm blank at the edge.
        assert!(last + 5.0 < paper.size_mm().1, "{paper:?}");
    }
}
