use super::*;
use crate::flight::solve::Quantity::*;

fn given(quantity: Quantity, value: f64, figures: usize) -> Given {
    Given::new(quantity, value, Some(figures))
}

fn cliff() -> Sheet {
    let givens = [given(Speed, 25.0, 3), given(Angle, 35.0, 3), given(Rise, -20.0, 3), given(Gravity, 9.80, 3)];
    worked_solution("A rock from the rim of a volcano", &givens, Distance).unwrap()
}

#[test]
fn every_form_of_the_sheet_holds_the_textbooks_answer() {
    // College Physics 2e, section 3.4, worked example: 3.96 s; the place follows as 81.0 m.
    let sheet = cliff();
    assert!(text::render(&sheet).contains("==> The horizontal distance is x = 81.0 m."));
    assert!(html::render(&sheet).contains("<i>x</i> = 81.0\u{a0}m."));
    let pdf = pdf::render(&sheet).unwrap();
    assert!(pdf.starts_with(b"%PDF"));
    // Fonts are embedded as subsets: a page of text is tens of kilobytes, not hundreds.
    assert!(pdf.len() < 200_000, "{}", pdf.len());
    if let Some(folder) = std::env::var_os("LOBLINE_KEEP") {
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(Path::new(&folder).join("worked.pdf"), pdf).unwrap();
    }
}

#[test]
fn what_is_printed_as_given_leads_to_the_answer() {
    // 0.9 rad are 51.566°: with 52° the range would be 1.58 m, with what is printed it is 1.59 m, as with the number itself.
    let angle = Given { figures: Some(2), ..given(Angle, 0.9f64.to_degrees(), 2) };
    let givens = [given(Speed, 4.00, 3), angle, Given::new(Rise, 0.0, None), given(Gravity, 9.81, 3)];
    let sheet = text::render(&worked_solution("In radians", &givens, Distance).unwrap());
    assert!(sheet.contains("α = 51.57°") && sheet.contains("x = 1.6 m"), "{sheet}");
}

#[test]
fn a_written_sheet_is_whole_or_absent() {
    let folder = tempfile::tempdir().unwrap();
    let sheet = cliff();
    for name in ["a.txt", "a.html", "a.pdf"] {
        write(&sheet, &folder.path().join(name)).unwrap();
    }
    assert!(matches!(write(&sheet, &folder.path().join("a.odt")), Err(SheetError::UnknownForm { .. })));
    assert!(matches!(write(&sheet, &folder.path().join("no/a.txt")), Err(SheetError::Write { .. })));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 3);
}
