//! What must be known of the numbers stands in every output: one list of outputs, one measurement, each thing that is said.

use std::io::Cursor;
use std::path::Path;

use calamine::{Reader, Xlsx};
use image::RgbImage;

use super::class::Row;
use super::words;
use crate::measurement::{Measurement, SharedGravity};
use crate::report::class::{self, ClassEntry};
use crate::report::figure::Style;
use crate::report::graphs::{Choice, with_notices};
use crate::report::numbers::DecimalMark;
use crate::report::said::{Said, csv, in_few_words, said};
use crate::report::sample::{Shot, measurement, strobe_input};
use crate::report::sheet::SheetInput;
use crate::report::{json, strobe, tables, workbook};
use crate::rig::Rig;
use crate::warning::Warning;

/// How an output says it.
#[derive(Debug, Clone, Copy)]
enum By {
    Sentence,
    Code,
    FewWords,
}

/// A measurement of which much is to be said.
fn odd() -> Measurement {
    let mut odd = measurement(&[Shot::default()]);
    odd.warnings = vec![
        Warning::ScaleDepthUnknown,
        Warning::ScaleEndOutside { x_px: 300.0, y_px: 100.0 },
        Warning::LaunchNotSeen { flight: 1 },
        Warning::BallNotWeighed { flight: 1, narrower_percent: 34.0 },
        Warning::LaunchPointMissed { flight: 1, by_px: 12.0 },
        Warning::PointsOffThePath { flight: 1, times: 9.0 },
        Warning::GapInStamps { at_s: 0.4, gap_s: 0.05, usual_s: 0.0167 },
        Warning::GapInStamps { at_s: 0.6, gap_s: 0.033, usual_s: 0.0167 },
    ];
    odd
}

/// The cells of the spreadsheet's first sheet.
fn cells(bytes: Vec<u8>) -> String {
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).unwrap();
    let sheet = book.worksheet_range("Results").unwrap();
    sheet.rows().flatten().map(|cell| format!("{cell}\n")).collect()
}

/// Every output as text, and how it says things.
fn outputs(odd: &Measurement) -> Vec<(String, String, By)> {
    let mark = DecimalMark::Point;
    let sheet = SheetInput { measurement: odd, strobes: &[], decimal_mark: mark, command: None };
    let lines = class::lines(&[ClassEntry { group: "Table 1", clip: "a.mp4".into(), result: Ok(odd) }]);
    let row =
        Row { clip: Path::new("a.mp4"), group: "Table 1".to_owned(), rig: Rig::default(), result: Ok(odd.clone()) };
    let mut all = vec![
        ("text".to_owned(), words::measurement(odd, mark), By::Sentence),
        ("demo".to_owned(), crate::cli::demo::what_is_said(odd), By::Sentence),
        ("text of a class".to_owned(), words::table(&[row], mark), By::Sentence),
        ("lab sheet".to_owned(), sheet.html(), By::Sentence),
        ("spreadsheet".to_owned(), cells(workbook::xlsx(odd).unwrap()), By::Sentence),
        ("measurement file".to_owned(), json::document(odd), By::Code),
        ("table of sightings".to_owned(), tables::sightings_csv(odd, mark), By::Code),
        ("notes".to_owned(), csv(odd, mark), By::Sentence),
        ("notes by code".to_owned(), csv(odd, mark), By::Code),
        ("table of a class".to_owned(), class::csv(&lines, mark), By::Sentence),
        ("sheet of a class".to_owned(), class::html(&lines, mark), By::Sentence),
    ];
    all.extend(with_notices(odd, Choice::All, mark).into_iter().map(|figure| {
        let svg = figure.svg(&Style::default());
        (figure.name, svg, By::FewWords)
    }));
    all
}

/// Space and markup differ from output to output.
fn letters(text: &str) -> String {
    let text = text.replace("<i>", "").replace("</i>", "");
    let text = text.replace("&amp;", "&").replace("&quot;", "\"").replace("&#39;", "'").replace("&apos;", "'");
    text.chars().filter(|c| c.is_alphanumeric()).collect()
}

fn is_in(said: &Said, by: By, output: &str) -> bool {
    match by {
        By::Sentence => letters(output).to_lowercase().contains(&letters(&said.text).to_lowercase()),
        By::Code => output.contains(&said.code),
        By::FewWords => letters(output).contains(&letters(&said.short)),
    }
}

#[test]
fn every_output_says_all_that_is_said() {
    let odd = odd();
    let list = said(&odd);
    assert_eq!(list.len(), 9, "{list:?}");
    for (name, output, by) in outputs(&odd) {
        for said in &list {
            // The verdict's own words and codes are keys of their own in the JSON and columns in the class's table.
            let own_key = said.is_of_verdict() && (name == "measurement file" || name.contains("class"));
            let unsaid = matches!(by, By::FewWords) && said.short.is_empty();
            assert!(own_key || unsaid || is_in(said, by, &output), "{name} lacks {}", said.code);
        }
    }
    let file: serde_json::Value = serde_json::from_str(&json::document(&odd)).unwrap();
    assert_eq!(file["flights"][0]["verdict"]["agrees"], true);
}

/// A gravity that flights share is one measurement, and no output lets it pass for several.
#[test]
fn every_output_says_that_gravity_is_shared() {
    let mut shared = measurement(&[Shot::default(), Shot::default()]);
    let gravity_m_per_s2 = shared.flights[0].gravity_m_per_s2;
    shared.shared_gravity = Some(SharedGravity { flights: vec![1, 2], gravity_m_per_s2 });
    let list = said(&shared);
    let one = list.iter().find(|said| said.code == "g_shared").unwrap();
    for (name, output, by) in outputs(&shared) {
        let own_words = match name.as_str() {
            "text" => {
                let own =
                    "Flights 1 and 2 together: they have one g. It, its interval and the verdict belong to the clip.";
                letters(&output).contains(&letters(own))
            }
            "measurement file" => output.contains("\"shared_gravity\": {"),
            _ => false,
        };
        assert!(own_words || is_in(one, by, &output), "{name}");
    }
    let text = words::measurement(&shared, DecimalMark::Point);
    assert_eq!(text.matches("  gravity ").count(), 1, "{text}");
}

/// Pictures have no text to search: with nothing to say they look otherwise.
#[test]
fn pictures_say_it_in_their_legend() {
    let (odd, quiet) = (odd(), Measurement { warnings: Vec::new(), ..odd() });
    let flight = &odd.flights[0];
    let picture =
        |of: &Measurement| -> RgbImage { strobe::picture(&strobe_input(flight), flight, of, DecimalMark::Point) };
    assert!(picture(&odd) != picture(&quiet));
    let words = in_few_words(&odd, Some(1), DecimalMark::Point);
    assert_eq!(
        words,
        "g is as expected. Mind: depth of the scale not stated; scale ends outside the picture; launch not seen; ball not \
         weighed; path misses the launch point; points far off the path; frames were dropped."
    );
}
