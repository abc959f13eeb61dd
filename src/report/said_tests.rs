use super::*;
use crate::report::sample::{Shot, measurement};
use crate::warning::Warning;

#[test]
fn the_same_of_several_flights_is_said_once() {
    let mut measured = measurement(&[Shot::default(), Shot::default()]);
    measured.warnings.push(Warning::LaunchNotSeen { flight: 2 });
    let list = said(&measured);
    assert_eq!(list[0].flights, [1, 2]);
    assert_eq!(list.iter().filter(|said| said.code == "g_as_expected").count(), 1);
    let not_seen = |flight| of_flight(&measured, flight).iter().any(|said| said.code == "launch_not_seen");
    assert!(not_seen(2) && !not_seen(1));
    assert_eq!(
        in_few_words(&measured, Some(1), DecimalMark::Point),
        "g is as expected. Mind: depth of the scale not stated."
    );
    assert!(
        in_few_words(&measured, None, DecimalMark::Point).ends_with("depth of the scale not stated; launch not seen.")
    );
}

#[test]
fn g_is_set_as_a_quantity() {
    assert_eq!(marked("one g, its g: a gap g"), "one *g*, its *g*: a gap *g*");
    assert_eq!(marked("grams g_*"), literal("grams g_*"));
}

#[test]
fn every_code_of_a_flight_has_its_line_in_the_table() {
    let measured = measurement(&[Shot::default()]);
    let text = csv(&measured, DecimalMark::Comma);
    let mut reader = csv::ReaderBuilder::new().delimiter(b';').from_reader(text.as_bytes());
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(reader.headers().unwrap(), &COLUMNS.to_vec());
    for code in codes(&measured, 1).split(' ') {
        assert!(rows.iter().any(|row| &row[1] == code), "{code}");
    }
    assert_eq!(&rows.last().unwrap()[0], "all");
    // Sentences have the reader's decimal mark.
    assert!(rows.iter().any(|row| row[2].contains("9,81") || row[2].contains("0,3 %")), "{text}");
}
