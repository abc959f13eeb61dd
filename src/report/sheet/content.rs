//! The words of the lab sheet.

use image::codecs::jpeg::JpegEncoder;
use image::{ImageEncoder, RgbImage};

use super::{Block, Sheet, SheetInput, Table, account, budget};
use crate::flight::compare::Departure;
use crate::measurement::{BudgetLine, Departures, FlightMeasurement, GravityGivenFit, Measurement};
use crate::report::beside;
use crate::report::figure::{Figure, Style};
use crate::report::graphs::{self, Choice};
use crate::report::ink::text::literal;
use crate::report::numbers::{DecimalMark, known, rounding_place};
use crate::report::{reckoned, said};
use crate::units::Estimate;
use crate::warning::{flights_in_words, in_sentences};

/// Rows of the data table before it is thinned out.
const MOST_ROWS: usize = 60;
/// However many flights there are.
const LEAST_ROWS: usize = 12;

pub fn sheet(input: &SheetInput<'_>) -> Sheet {
    let measurement = input.measurement;
    let mut blocks = vec![Block::Fields(["Name", "Group", "Date"].map(str::to_owned).to_vec())];
    blocks.extend(answer(measurement, input.decimal_mark));
    blocks.push(heading("What was filmed?"));
    blocks.push(Block::Table(set_up(measurement, input.decimal_mark)));
    // Many flights in full are a book that nobody reads: then the sheet says what they have in common first.
    let many = measurement.flights.len() > 1;
    if many {
        blocks.extend(together(input));
    } else {
        for (i, flight) in measurement.flights.iter().enumerate() {
            blocks.extend(of_flight(input, flight, input.strobes.get(i)));
        }
    }
    blocks.extend(to_check(measurement));
    blocks.extend(safety());
    blocks.extend(account::blocks(measurement, input.decimal_mark));
    blocks.extend(own_words(measurement, input.decimal_mark));
    blocks.iter_mut().for_each(|block| in_the_reader_s_mark(block, input.decimal_mark));
    blocks.extend(data(measurement, input.decimal_mark));
    blocks.extend(again(input));
    if many {
        blocks.push(heading("Each flight by itself"));
        let figures =
            graphs::figures(&measurement.flights[0], measurement.flights.len(), Choice::All, input.decimal_mark);
        blocks.extend(said_once(&figures));
        blocks.extend(measurement.flights.iter().map(|flight| folded(input, flight)));
        // Each flight's own verdict stands there.
        let folded = blocks.iter_mut().filter_map(|block| match block {
            Block::Folded { blocks, .. } => Some(blocks),
            _ => None,
        });
        folded.flatten().for_each(|block| in_the_reader_s_mark(block, input.decimal_mark));
    }
    Sheet { title: "Lab sheet: a ball in flight".to_owned(), blocks }
}

/// Sentences of the measurement have a point; how to get the numbers again stays as it is typed.
fn in_the_reader_s_mark(block: &mut Block, mark: DecimalMark) {
    match block {
        Block::Paragraph(text) | Block::Blank { prompt: text, .. } => *text = mark.said(text),
        Block::List(items) => items.iter_mut().for_each(|item| *item = mark.said(item)),
        _ => {}
    }
}

fn heading(text: &str) -> Block {
    Block::Heading { level: 2, text: text.to_owned() }
}

/// What several flights of a clip have in common: one picture, graphs of all, one budget, a sentence for each.
fn together(input: &SheetInput<'_>) -> Vec<Block> {
    let (measurement, mark) = (input.measurement, input.decimal_mark);
    let (flights, mut blocks) = (&measurement.flights, vec![heading("What did the ball do?")]);
    let Some(first) = flights.first() else { return Vec::new() };
    if let Some(strobe) = input.strobes.first() {
        blocks.push(photo(strobe, first, Some(first.number)));
    }
    blocks.extend(graphs::of_all(measurement).iter().map(|figure| graph(figure, mark)));
    if let Some(limits) = limits(first, &format!("Flight {}: the uncertainty budget", first.number), mark) {
        blocks.push(heading("What limits this?"));
        blocks.extend(limits);
    }
    let compared: Vec<String> = flights
        .iter()
        .filter_map(|flight| Some(format!("Flight {}: {}", flight.number, comparison_text(flight, mark)?)))
        .collect();
    if let Some(source) = flights.iter().find_map(forecast_source).filter(|_| !compared.is_empty()) {
        blocks.extend([heading("Did they go where you said?"), Block::Paragraph(source), Block::List(compared)]);
    }
    let verdicts = verdicts(flights);
    if !verdicts.is_empty() {
        blocks.extend([heading("What does it mean?"), Block::List(verdicts)]);
    }
    blocks
}

/// What each verdict says; flights of which the same is said stand together.
fn verdicts(flights: &[FlightMeasurement]) -> Vec<String> {
    said::verdicts(flights)
        .into_iter()
        .map(|(verdict, numbers)| {
            let verdict = sentence(&literal(&verdict.summary));
            let mut letters = verdict.chars();
            let first = letters.next().map(|letter| letter.to_lowercase().to_string()).unwrap_or_default();
            format!("{}: {first}{}", sentence_start(&flights_in_words(&numbers)), letters.as_str())
        })
        .collect()
}

/// That several flights have one gravity; nothing where each has its own.
fn shared(measurement: &Measurement, mark: DecimalMark) -> Option<Block> {
    let shared = measurement.shared_gravity.as_ref()?;
    let gravity = with_unit(mark, &shared.gravity_m_per_s2, "m/s²");
    let said = said::said(measurement).into_iter().find(|said| said.code == "g_shared")?;
    Some(Block::Paragraph(format!("*g*\u{a0}=\u{a0}{gravity}. {}", sentence(&said::marked(&said.text)))))
}

/// The results and the main graphs of one flight among several.
fn folded(input: &SheetInput<'_>, flight: &FlightMeasurement) -> Block {
    let (of, mark) = (input.measurement.flights.len(), input.decimal_mark);
    let mut blocks = results(flight, format!("Flight {}: the results", flight.number), mark);
    if let Some(verdict) = flight.verdict.as_ref().filter(|verdict| !verdict.reasons.is_empty()) {
        blocks.push(Block::Paragraph("What to check, the likeliest first:".to_owned()));
        blocks.push(Block::List(verdict.reasons.iter().map(|r| sentence(&literal(r))).collect()));
    }
    // The first one's stands with what all have in common.
    if let Some(account) = flight.account.as_ref().filter(|_| flight.number > 1) {
        blocks.extend(account::of_flight(flight, account, of, mark));
    }
    let shown = ["distance-time", "height-time", "velocity-time", "acceleration-check"];
    let figures = graphs::figures(flight, of, Choice::All, mark);
    let main = figures.iter().filter(|figure| shown.iter().any(|name| figure.name.ends_with(name)));
    blocks.extend(main.map(|figure| graph(figure, mark)));
    Block::Folded { title: format!("Flight {}", flight.number), blocks }
}

fn of_flight(input: &SheetInput<'_>, flight: &FlightMeasurement, strobe: Option<&RgbImage>) -> Vec<Block> {
    let mark = input.decimal_mark;
    let mut blocks = Vec::new();
    if let Some(strobe) = strobe {
        blocks.extend([heading("What did the ball do?"), photo(strobe, flight, None)]);
    }
    blocks.push(heading("How fast, how steep, how strong is gravity?"));
    blocks.extend(results(flight, "The results".to_owned(), mark));
    blocks.push(interval_explained());
    if let Some(limits) = limits(flight, "The uncertainty budget", mark) {
        blocks.push(heading("What limits this?"));
        blocks.extend(limits);
    }
    if let Some(comparison) = comparison(flight, mark) {
        blocks.push(heading("Did it go where you said?"));
        blocks.extend(comparison);
    }
    if let Some(verdict) = &flight.verdict {
        blocks.push(heading("What does it mean?"));
        blocks.push(Block::Paragraph(sentence(&literal(&verdict.summary))));
        if !verdict.reasons.is_empty() {
            blocks.push(Block::Paragraph("What to check, the likeliest first:".to_owned()));
            blocks.push(Block::List(verdict.reasons.iter().map(|r| sentence(&literal(r))).collect()));
        }
    }
    blocks.push(heading("Graphs"));
    let figures = graphs::figures(flight, 1, Choice::All, mark);
    blocks.extend(said_once(&figures));
    blocks.extend(figures.iter().map(|figure| graph(figure, mark)));
    blocks
}

/// What the graphs that follow have alike.
fn said_once(figures: &[Figure]) -> Option<Block> {
    let note = figures.iter().map(|figure| figure.note).find(|note| !note.is_empty())?;
    Some(Block::Paragraph(format!("In the graphs: {}{}", note[..1].to_lowercase(), &note[1..])))
}

/// First letter large, full stop at the end. A symbol such as g stays as it is.
fn sentence(text: &str) -> String {
    let first_word = text.split(' ').next().unwrap_or_default();
    if first_word.chars().count() == 1 && first_word != "a" {
        return sentence_end(text);
    }
    sentence_end(&sentence_start(text))
}

fn sentence_start(text: &str) -> String {
    let mut chars = text.chars();
    let start: String = chars.next().map(|c| c.to_uppercase().collect()).unwrap_or_default();
    format!("{start}{}", chars.as_str())
}

fn sentence_end(text: &str) -> String {
    let end = if text.ends_with(['.', '?', '!']) { "" } else { "." };
    format!("{text}{end}")
}

fn with_unit(mark: DecimalMark, estimate: &Estimate, unit: &str) -> String {
    let text = mark.interval(estimate);
    if text.contains('±') { format!("({text}) {unit}") } else { format!("{text} {unit}") }.replace(' ', "\u{a0}")
}

fn answer(measurement: &Measurement, mark: DecimalMark) -> Vec<Block> {
    if measurement.flights.is_empty() {
        return vec![Block::Paragraph(
            "No flight was found in this clip, so there are no results to show. See below what was filmed, and what to \
             check before the next try."
                .to_owned(),
        )];
    }
    if measurement.flights.len() == 1 {
        let flight = &measurement.flights[0];
        return vec![Block::Paragraph(format!(
            "The ball left at a speed of {}, {}. Its fall gives *g*\u{a0}=\u{a0}{}.",
            with_unit(mark, &flight.launch_speed_m_per_s, "m/s"),
            graphs::words::launch_angle(mark, &flight.launch_angle_deg),
            with_unit(mark, &flight.gravity_m_per_s2, "m/s²")
        ))];
    }
    let one_gravity = shared(measurement, mark);
    let given = |flight: &FlightMeasurement, of: fn(&GravityGivenFit) -> &Estimate| {
        flight.gravity_given.as_ref().map_or_else(String::new, |given| mark.interval(of(given)))
    };
    let rows = measurement.flights.iter().map(|flight| {
        let own = if one_gravity.is_some() { String::new() } else { mark.interval(&flight.gravity_m_per_s2) };
        vec![
            flight.number.to_string(),
            mark.interval(&flight.launch_speed_m_per_s),
            mark.interval(&flight.launch_angle_deg),
            own,
            given(flight, |given| &given.launch_speed_m_per_s),
            given(flight, |given| &given.launch_angle_deg),
        ]
    });
    let head = [
        "flight",
        "launch speed / (m/s)",
        "launch angle / °",
        "*g* / (m/s²)",
        "speed, *g* given / (m/s)",
        "angle, *g* given / °",
    ];
    let caption = format!("All {} flights of the clip, with 95 % intervals", measurement.flights.len());
    let (head, rows) = (head.map(str::to_owned).to_vec(), rows.collect());
    let table = without_empty_columns(Table { caption, head, rows, numbers: true });
    one_gravity.into_iter().chain([Block::Table(table), interval_explained()]).collect()
}

/// Said once, however many results there are.
fn interval_explained() -> Block {
    Block::Paragraph(
        "The number after ± says how far off the value may be: in 95 of 100 such measurements the truth lies within. Speed \
         and angle hold for the launch itself."
            .to_owned(),
    )
}

fn safety() -> Vec<Block> {
    let rules = [
        "Wear eye protection while anything is launched.",
        "Keep the landing zone clear, and stand behind the launcher. Say “clear” before each shot.",
        "Use soft balls, and never aim at people.",
        "The rules of your school and of your country come first.",
    ];
    vec![
        Block::Heading { level: 2, text: "Before you launch again".to_owned() },
        Block::List(rules.map(str::to_owned).to_vec()),
    ]
}

fn set_up(measurement: &Measurement, mark: DecimalMark) -> Table {
    let clip = &measurement.clip;
    let per_pixel = &measurement.scale.metres_per_pixel;
    let in_mm = Estimate {
        value: 1e3 * per_pixel.value,
        standard_uncertainty: per_pixel.standard_uncertainty.map(|u| 1e3 * u),
        expanded_uncertainty_95: per_pixel.expanded_uncertainty_95.map(|u| 1e3 * u),
    };
    let mut rows = vec![
        ["Clip".to_owned(), literal(&clip.name)],
        ["Picture".to_owned(), format!("{} × {} pixels", clip.width, clip.height)],
        [
            "Frames".to_owned(),
            format!(
                "{}, {} in each second",
                measurement.reading.frames,
                mark.significant(measurement.clock.frame_rate_hz, 4)
            ),
        ],
        ["Times come from".to_owned(), literal(&mark.said(&measurement.clock.description))],
        ["Lengths come from".to_owned(), literal(&mark.said(&measurement.scale.description))],
        ["One pixel is".to_owned(), with_unit(mark, &in_mm, "mm")],
    ];
    if (measurement.clock.slow_factor - 1.0).abs() > 1e-9 {
        let factor = mark.significant(measurement.clock.slow_factor, 3);
        rows.push(["Slow motion".to_owned(), format!("the clip plays {factor} times slower than the ball flew")]);
    }
    let rows = rows.into_iter().map(|r| r.to_vec()).collect();
    Table { caption: "The set-up".to_owned(), head: Vec::new(), rows, numbers: false }
}

fn photo(strobe: &RgbImage, flight: &FlightMeasurement, number: Option<usize>) -> Block {
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, 90)
        .write_image(strobe.as_raw(), strobe.width(), strobe.height(), image::ExtendedColorType::Rgb8)
        .expect("writing to memory, of a picture whose size fits its pixels");
    let count = flight.sightings.iter().filter(|s| s.used).count();
    Block::Photo {
        jpeg,
        size: strobe.dimensions(),
        alt: format!(
            "The scene with the ball at {count} moments of its flight, each cut from its own frame, on the fitted path."
        ),
        caption: format!(
            "The ball {}in {count} frames on one still. The times count from the launch; the bar shows the scale in the \
             plane of the flight.",
            number.map_or_else(String::new, |number| format!("of flight {number} "))
        ),
    }
}

/// The two fits side by side.
fn results(flight: &FlightMeasurement, caption: String, mark: DecimalMark) -> Vec<Block> {
    let given = flight.gravity_given.as_ref();
    let share = |estimate: &Estimate| match estimate.expanded_uncertainty_95.filter(|u| u.is_finite()) {
        Some(u) if estimate.value != 0.0 => format!("{} %", mark.significant((100.0 * u / estimate.value).abs(), 2)),
        _ => "unknown".to_owned(),
    };
    let row = |name: &str, unit: &str, free: &Estimate, given: Option<&Estimate>| {
        let cells = |estimate: &Estimate| [mark.with_unit(estimate, unit), share(estimate)];
        let of_given = given.map_or_else(|| [String::new(), String::new()], cells);
        std::iter::once(name.to_owned()).chain(cells(free)).chain(of_given).collect::<Vec<String>>()
    };
    let plain = |name: &str, free: String, given: Option<String>| {
        vec![name.to_owned(), free, String::new(), given.unwrap_or_default(), String::new()]
    };
    let mut rows = vec![
        row(
            "Launch speed *v*_{0}",
            "m/s",
            &flight.launch_speed_m_per_s,
            given.map(|given| &given.launch_speed_m_per_s),
        ),
        row(
            "Launch angle *α*, above the horizontal",
            "°",
            &flight.launch_angle_deg,
            given.map(|given| &given.launch_angle_deg),
        ),
        row(
            "Acceleration of free fall *g*",
            "m/s²",
            &flight.gravity_m_per_s2,
            given.map(|given| &given.gravity_m_per_s2),
        ),
    ];
    let residual = |px: f64, mm: f64| format!("{} mm, {} px", mark.significant(mm, 2), mark.significant(px, 2));
    rows.push(plain(
        "Residuals (root mean square)",
        residual(flight.residual_rms_px, flight.residual_rms_mm),
        given.map(|given| residual(given.quality.residual_rms_px, given.quality.residual_rms_mm)),
    ));
    if let Some(quality) = &flight.quality {
        rows.push(plain(
            "Reduced chi-square (degrees of freedom *ν*)",
            reckoned::chi_square(quality, mark),
            given.map(|given| reckoned::chi_square(&given.quality, mark)),
        ));
    }
    let head = ["quantity", "*g* free", "± / value", "*g* given", "± / value"].map(str::to_owned).to_vec();
    let used = flight.sightings.iter().filter(|s| s.used).count();
    let note = format!("{used} of {} sightings went into the fit.", flight.sightings.len());
    let notes = std::iter::once(note)
        .chain(given.map(|given| about_given(given, mark)))
        .chain(beside::sentences(flight, mark))
        .collect::<Vec<_>>()
        .join(" ");
    let table = without_empty_columns(Table { caption, head, rows, numbers: true });
    vec![Block::Table(table), Block::Paragraph(notes)]
}

/// What the second fit is, and what it asks for.
fn about_given(given: &GravityGivenFit, mark: DecimalMark) -> String {
    let strained =
        reckoned::strained(given, mark).map_or_else(String::new, |said| format!(" It would need: {}.", literal(&said)));
    format!(
        "The second fit takes *g* as given for the place, over the same sightings; what is known of scale and clock gives way to the \
         fall.{strained}"
    )
}

fn limits(flight: &FlightMeasurement, name: &str, mark: DecimalMark) -> Option<Vec<Block>> {
    let shares = budget::shares(&flight.budget, |l| l.gravity_m_per_s2);
    let largest = shares.first()?.clone();
    let caption = format!(
        "What share of the squared uncertainty of *g* comes from where. To get better, begin at the top: {}.",
        literal(&largest.0)
    );
    let shares = budget::worth_showing(shares.clone());
    let literal_shares: Vec<(String, f64)> = shares.iter().map(|(s, v)| (literal(s), *v)).collect();
    let alt = format!("Bars for the sources of uncertainty: {}.", budget::in_words(&shares, mark));
    let title = "Where the uncertainty comes from".to_owned();
    let drawing = Box::new(budget::drawing(&literal_shares, mark));
    let column = |of: fn(&BudgetLine) -> Option<f64>| {
        let largest = flight.budget.iter().filter_map(of).fold(0.0, f64::max);
        // Squared, a hundredth of the largest is a ten-thousandth: it changes no digit that is shown.
        move |line: &BudgetLine| {
            of(line).filter(|u| *u >= 0.01 * largest && *u > 0.0).map_or_else(String::new, |u| mark.significant(u, 2))
        }
    };
    let (speed, angle, gravity) =
        (column(|l| l.launch_speed_m_per_s), column(|l| l.launch_angle_deg), column(|l| l.gravity_m_per_s2));
    let rows = flight
        .budget
        .iter()
        .map(|l| vec![literal(&l.source), l.evaluation.clone(), speed(l), angle(l), gravity(l)])
        .filter(|row| row[2..].iter().any(|cell| !cell.is_empty()));
    let head = ["source", "type", "*u*(*v*_{0}) / (m/s)", "*u*(*α*) / °", "*u*(*g*) / (m/s²)"];
    let table = Table {
        caption: format!(
            "{name}: standard uncertainties *u*. Type A comes from the scatter of the data, type B from other knowledge. \
             What is less than a hundredth of the largest in its column is left out."
        ),
        head: head.map(str::to_owned).to_vec(),
        rows: rows.collect(),
        numbers: true,
    };
    Some(vec![Block::Drawing { drawing, title, alt, caption }, Block::Table(without_empty_columns(table))])
}

fn without_empty_columns(table: Table) -> Table {
    let kept: Vec<usize> = (0..table.head.len()).filter(|i| table.rows.iter().any(|row| !row[*i].is_empty())).collect();
    let pick = |row: &Vec<String>| kept.iter().map(|i| row[*i].clone()).collect::<Vec<String>>();
    Table { head: pick(&table.head), rows: table.rows.iter().map(pick).collect(), ..table }
}

fn comparison(flight: &FlightMeasurement, mark: DecimalMark) -> Option<Vec<Block>> {
    let text = format!("{} {}", forecast_source(flight)?, comparison_text(flight, mark)?);
    let mut blocks = vec![Block::Paragraph(text)];
    let departures = flight.forecast.as_ref().and_then(|forecast| forecast.departures.as_ref());
    blocks.extend(departures.map(|departures| Block::Table(departures_table(departures, mark))));
    Some(blocks)
}

fn departures_table(departures: &Departures, mark: DecimalMark) -> Table {
    let row = |name: String, unit: &str, factor: f64, departure: &Departure| {
        let allowed = departure.combined_u95.map(|u95| factor * u95);
        // To the place that the interval leaves meaning to; three figures where there is none.
        let difference = factor * departure.difference;
        let place = known(allowed).map(rounding_place);
        let size = place.map_or_else(|| mark.significant(difference.abs(), 3), |p| mark.rounded(difference.abs(), p));
        let sign = if difference < 0.0 { "−" } else { "+" };
        let agrees = match departure.agrees() {
            Some(true) => "yes",
            Some(false) => "no",
            None => "can't be said",
        };
        let (degrees, unit) = if unit == "°" { ("°", "") } else { ("", unit) };
        let allowed = allowed
            .zip(place)
            .map_or_else(|| "unknown".to_owned(), |(u95, p)| format!("{}{degrees}", mark.rounded(u95, p)));
        vec![name, format!("{sign}{size}{degrees}"), allowed, unit.to_owned(), agrees.to_owned()]
    };
    let mut rows = vec![
        row("Launch speed".to_owned(), "m/s", 1.0, &departures.launch_speed_m_per_s),
        row("Launch angle".to_owned(), "°", 1.0, &departures.launch_angle_deg),
    ];
    rows.extend(departures.along.iter().map(|at| {
        let name = format!("Height at {} m from the launch", mark.fixed(at.distance_m, 2));
        row(name, "cm", 100.0, &at.height_m)
    }));
    let landing = departures.landing_m.iter().map(|at| row("Distance at the target's height".into(), "cm", 100.0, at));
    rows.extend(landing);
    rows.extend(departures.landing_time_s.iter().map(|at| row("Time to the target's height".into(), "s", 1.0, at)));
    Table {
        caption:
            "Measured minus forecast. They agree where the difference is no larger than what both intervals together \
                  allow."
                .to_owned(),
        head: ["quantity", "difference", "allowed, ±", "unit", "agrees"].map(str::to_owned).to_vec(),
        rows,
        numbers: true,
    }
}

fn forecast_source(flight: &FlightMeasurement) -> Option<String> {
    let description = literal(&flight.forecast.as_ref()?.description);
    Some(format!("The forecast comes from {description}; it is the dashed line in the graphs."))
}

fn comparison_text(flight: &FlightMeasurement, mark: DecimalMark) -> Option<String> {
    let forecast = flight.forecast.as_ref()?;
    let mut text = String::new();
    if let (Some(said), Some(seen)) = (&forecast.landing_x_m, &forecast.measured_landing_x_m) {
        text.push_str(&format!(
            "It said the ball would land at *x* = {}; it landed at *x* = {}.",
            with_unit(mark, said, "m"),
            with_unit(mark, seen, "m")
        ));
    }
    if let Some(comparison) = &forecast.comparison {
        text.push_str(&format!(" {}", literal(comparison)));
    }
    Some(text.trim_start().to_owned())
}

fn graph(figure: &Figure, mark: DecimalMark) -> Block {
    let style = Style { without_caption: true, decimal_mark: mark, ..Style::default() };
    Block::Drawing {
        drawing: Box::new(figure.drawing(&style)),
        title: figure.title.clone(),
        alt: figure.alt.clone(),
        caption: figure.caption.clone(),
    }
}

fn to_check(measurement: &Measurement) -> Vec<Block> {
    if measurement.warnings.is_empty() {
        return Vec::new();
    }
    let sentences = in_sentences(&measurement.warnings).iter().map(|said| sentence(&literal(said))).collect();
    vec![heading("What should you know about this clip?"), Block::List(sentences)]
}

fn own_words(measurement: &Measurement, mark: DecimalMark) -> Vec<Block> {
    let expected = measurement.flights.iter().find_map(|flight| flight.verdict.as_ref()?.agreement);
    let known = expected
        .map_or_else(String::new, |agreement| format!(" ({} m/s²)", mark.value(&agreement.expected_gravity_m_per_s2)));
    let agrees = format!(
        "Does your value of *g* agree with the known value for your place{known}? Decide by the interval, not by how close the \
         numbers look."
    );
    let prompts = [
        "What did you expect before the shot, and why?",
        &agrees,
        "Look at the residuals. Do they scatter about nought, or do they follow a curve? What could cause that?",
        "What limits your result most, and what would you change first?",
    ];
    let mut blocks = vec![heading("In your own words")];
    blocks.extend(prompts.map(|p| Block::Blank { prompt: p.to_owned(), lines: 4 }));
    blocks
}

fn data(measurement: &Measurement, mark: DecimalMark) -> Vec<Block> {
    let mut blocks = Vec::new();
    for flight in &measurement.flights {
        if blocks.is_empty() {
            blocks.push(heading("The data"));
        }
        blocks.push(Block::Table(data_table(flight, measurement.flights.len(), mark)));
    }
    blocks
}

fn data_table(flight: &FlightMeasurement, of: usize, mark: DecimalMark) -> Table {
    let every = flight.sightings.len().div_ceil((MOST_ROWS / of).max(LEAST_ROWS)).max(1);
    let thinned = if every > 1 {
        format!(" Only every row in {every} is printed; the table file has all {}.", flight.sightings.len())
    } else {
        String::new()
    };
    let name = if of > 1 { format!("Flight {}: sightings", flight.number) } else { "Sightings".to_owned() };
    let rows = flight.sightings.iter().step_by(every).map(|row| {
        let (ux, uy) = row.covariance_m2.sigmas();
        let place = |u: f64| known(Some(u)).map_or(4, |u| rounding_place(u).clamp(0, 6));
        let unsure = |u: f64| if u.is_finite() { mark.rounded(u, place(u)) } else { String::new() };
        vec![
            row.frame.to_string(),
            mark.fixed(row.moment_s() - flight.launch_time_s.value, 4),
            mark.rounded(row.centre_m.x, place(ux)),
            unsure(ux),
            mark.rounded(row.centre_m.y, place(uy)),
            unsure(uy),
            if row.used { "yes" } else { "no" }.to_owned(),
        ]
    });
    let head = ["frame", "*t* / s", "*x* / m", "*u*(*x*) / m", "*y* / m", "*u*(*y*) / m", "in the fit"];
    Table {
        caption: format!(
            "{name}: time since the launch, place of the ball (*x* to the right, *y* upwards) and standard \
             uncertainties.{thinned}"
        ),
        head: head.map(str::to_owned).to_vec(),
        rows: rows.collect(),
        numbers: true,
    }
}

fn again(input: &SheetInput<'_>) -> Vec<Block> {
    let measurement = input.measurement;
    let mut steps = vec![format!(
        "Program: lobline {}; format of the measurement file: {}.",
        measurement.program_version, measurement.format_version
    )];
    let fingerprint = measurement.reading.fingerprint.as_ref();
    let file = fingerprint.map(|f| format!(" (fingerprint {})", literal(f))).unwrap_or_default();
    steps.push(format!("Clip: {}{file}.", literal(&measurement.clip.name)));
    if let Some(command) = input.command {
        steps.push(format!("Command: {}", literal(command)));
    }
    steps.push(
        "Keep the clip and the measurement file: together they give every number on this sheet again.".to_owned(),
    );
    vec![heading("How to get the same numbers again"), Block::List(steps)]
}
