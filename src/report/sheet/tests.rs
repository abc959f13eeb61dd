use super::*;
use crate::report::sample::{Shot, measurement, strobe_input};
use crate::report::strobe;

fn with_sheet<T>(shots: &[Shot], look: impl FnOnce(&SheetInput<'_>) -> T) -> T {
    let measurement = measurement(shots);
    let strobes: Vec<RgbImage> = measurement
        .flights
        .iter()
        .map(|f| strobe::picture(&strobe_input(f), f, &measurement, DecimalMark::Point))
        .collect();
    look(&SheetInput { measurement: &measurement, strobes: &strobes, decimal_mark: DecimalMark::Point, command: None })
}

#[test]
fn the_page_asks_nothing_of_anyone_else() {
    with_sheet(&[Shot::default()], |sheet| {
        let html = sheet.html();
        let without_namespaces = html.replace("http://www.w3.org/2000/svg", "");
        for word in ["http://", "https://", "<script", "<link", "@import", "url("] {
            assert!(!without_namespaces.contains(word), "{word}");
        }
        assert_eq!(html.matches("<h1>").count(), 1);
        assert_eq!(html.matches("<img ").count(), html.matches(" alt=\"").count());
        assert!(!html.contains("alt=\"\""));
    });
}

#[test]
fn names_from_outside_cannot_break_the_page() {
    let mut measurement = measurement(&[Shot::default()]);
    measurement.clip.name = "<b>*shot*</b> & \"co\".mp4".into();
    let input = SheetInput { measurement: &measurement, strobes: &[], decimal_mark: DecimalMark::Comma, command: None };
    assert!(input.html().contains("&lt;b&gt;∗shot∗&lt;/b&gt; &amp; &quot;co&quot;.mp4"));
    assert!(input.pdf().is_ok());
}

#[test]
fn the_same_measurement_gives_the_same_bytes() {
    let shots = [Shot { points: 9, rate_hz: 15.0, ..Shot::default() }];
    let both = || with_sheet(&shots, |sheet| (sheet.html(), sheet.pdf().unwrap()));
    let (first, second) = (both(), both());
    assert!(first.0 == second.0 && first.1 == second.1);
}

#[test]
fn every_case_makes_an_accessible_pdf() {
    for (name, measurement) in crate::report::gallery::cases() {
        let input =
            SheetInput { measurement: &measurement, strobes: &[], decimal_mark: DecimalMark::Point, command: None };
        let pdf = input.pdf();
        assert!(pdf.is_ok_and(|bytes| bytes.starts_with(b"%PDF-1.7")), "{name}");
    }
}

#[test]
fn a_clip_without_a_flight_still_has_a_sheet() {
    with_sheet(&[], |sheet| {
        assert!(sheet.html().contains("No flight was found"));
        assert!(sheet.pdf().is_ok());
    });
}
