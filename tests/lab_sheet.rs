//! What is handed out, in headless Chromium: nothing goes wrong in it, nothing is asked of anyone else, everybody can read it, and
//! the lab sheet prints on A4 with whole graphs.
//!
//! Of the demo's sheet; of any other with `LOBLINE_SHEET=lab-sheet.html`. Skipped, aloud, where `chromium`, `chromedriver` or
//! `pdftoppm` isn't there; `bash .ci/deps --tests` installs them.

mod browser;
mod page_server;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use browser::{Browser, runtime};
use fantoccini::wd::{PrintConfigurationBuilder, PrintMargins, PrintSize};
use image::{Rgb, RgbImage};
use page_server::demo_clip;
use serde_json::json;

fn sheet() -> PathBuf {
    let demo = || demo_clip().with_file_name("results/lab-sheet.html");
    let path = std::env::var_os("LOBLINE_SHEET").map_or_else(demo, PathBuf::from);
    path.canonicalize().unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

#[test]
fn the_lab_sheet_is_whole_on_screen_and_on_paper() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(1000, 1200, false).await else { return };
        let address = format!("file://{}", sheet().display());
        browser.client.goto(&address).await.unwrap();
        let broken = "return [...document.images].filter((i) => !i.complete || i.naturalWidth == 0).map((i) => i.alt)";
        assert_eq!(browser.run(broken).await, json!([]));
        assert_eq!(browser.faults().await, Vec::<String>::new());
        browser.picture("lab-sheet").await;
        let frames = browser.run(FRAMES).await.as_u64().unwrap() as usize;
        assert!(frames >= 2, "a sheet without a graph");
        let pdf = print(&browser).await;
        assert_eq!(browser.console_errors().await, Vec::<String>::new());
        assert_eq!(browser.requests().await, [address]);
        browser.close().await;
        if let Some(pages) = pages(&pdf) {
            assert_eq!(cut_frames(&pages, frames), Vec::<String>::new());
        }
    });
}

#[test]
fn the_lab_sheet_fits_a_phone() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(360, 740, false).await else { return };
        browser.client.goto(&format!("file://{}", sheet().display())).await.unwrap();
        let wide = "return document.documentElement.scrollWidth - document.documentElement.clientWidth";
        assert_eq!(browser.run(wide).await, 0, "nothing reaches over the edge");
        assert_eq!(browser.faults().await, Vec::<String>::new());
        browser.close().await;
    });
}

#[test]
fn solutions_and_worksheets_are_read_by_everybody() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(800, 1000, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let speeds = ["--speed", "3.6 m/s .. 4.4 m/s", "--angle", "40° .. 70°", "--height", "25 cm .. 45 cm"];
        let room = ["--room", "4 m", "--ceiling", "2.7 m", "--ball", "70 mm", "--groups", "2", "--working"];
        let worksheet = [&["worksheet"], &speeds[..], &room[..]].concat();
        let solution =
            vec!["solve", "--speed", "4.00 m/s", "--distance", "1.40 m", "--rise", "-12 cm", "--find", "angle"];
        for (name, arguments) in [("worksheet", worksheet), ("solution", solution)] {
            let file = folder.path().join(format!("{name}.html"));
            let mut program = Command::new(env!("CARGO_BIN_EXE_lobline"));
            let made = program.args(arguments).arg("--sheet").arg(&file).output().unwrap();
            assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
            let address = format!("file://{}", file.display());
            browser.client.goto(&address).await.unwrap();
            browser.picture(name).await;
            assert_eq!(browser.faults().await, Vec::<String>::new(), "{name}");
            assert_eq!(browser.console_errors().await, Vec::<String>::new(), "{name}");
            assert_eq!(browser.requests().await, [address], "{name}");
        }
        browser.close().await;
    });
}

/// Puts a frame of its own colour round each figure with its caption, and another round each picture in it; gives their number.
const FRAMES: &str = "
    const framed = [...document.querySelectorAll('figure, figure img')];
    framed.forEach((part, number) => { part.style.border = `4px solid rgb(255, ${number}, 254)` });
    return framed.length";

fn colour(number: usize) -> Rgb<u8> {
    Rgb([255, number as u8, 254])
}

/// As the print dialogue does it: on A4, at full size, without backgrounds.
async fn print(browser: &Browser) -> Vec<u8> {
    // Centimetres; the margins that the sheet asks for itself.
    let margins = PrintMargins { top: 1.8, bottom: 1.8, left: 2.0, right: 2.0 };
    let how = PrintConfigurationBuilder::default().size(PrintSize::A4).margins(margins).shrink_to_fit(false);
    let pdf = browser.client.print(how.build().unwrap()).await.unwrap();
    if let Some(folder) = std::env::var_os("LOBLINE_KEEP") {
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(Path::new(&folder).join("lab-sheet-printed.pdf"), &pdf).unwrap();
    }
    pdf
}

/// The pages at 96 dots per inch, where a pixel of the frames is a pixel, and without smoothing, which would mix their colours.
fn pages(pdf: &[u8]) -> Option<Vec<RgbImage>> {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("sheet.pdf"), pdf).unwrap();
    let mut command = Command::new("pdftoppm");
    command.args(["-r", "96", "-png", "-aa", "no", "-aaVector", "no", "sheet.pdf", "page"]).current_dir(folder.path());
    let Ok(done) = command.output() else {
        eprintln!("skipped: pdftoppm is missing; `bash .ci/deps` installs it");
        return None;
    };
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|extension| extension == "png"));
    files.sort();
    Some(files.iter().map(|file| image::open(file).unwrap().to_rgb8()).collect())
}

/// Says of each frame what is wrong with it. A picture is whole when its frame is on one page and closed: one that is cut by the
/// page's end has parts on two pages or lacks a side, one that reaches over the edge lacks a side.
fn cut_frames(pages: &[RgbImage], count: usize) -> Vec<String> {
    let mut found: BTreeMap<usize, Vec<(usize, Frame)>> = BTreeMap::new();
    for (number, page) in pages.iter().enumerate() {
        // A4 at 96 dots per inch: 794 × 1123, give or take the rounding.
        assert!(page.width().abs_diff(794) <= 1 && page.height().abs_diff(1123) <= 1, "{:?}", page.dimensions());
        for (frame, seen) in Frame::all_of(page, count) {
            found.entry(frame).or_default().push((number + 1, seen));
        }
    }
    let judged = |frame: usize| match found.get(&frame).map(Vec::as_slice) {
        Some([(_, seen)]) if seen.is_closed() => None,
        Some([(page, seen)]) => Some(format!("frame {frame} on page {page} lacks a side: {seen:?}")),
        Some(parts) => Some(format!("frame {frame} is on {} pages", parts.len())),
        None => Some(format!("frame {frame} is nowhere")),
    };
    (0..count).filter_map(judged).collect()
}

/// What is seen of one colour on one page.
#[derive(Debug, Default)]
struct Frame {
    rows: BTreeMap<u32, u32>,
    columns: BTreeMap<u32, u32>,
}

impl Frame {
    fn all_of(page: &RgbImage, count: usize) -> BTreeMap<usize, Self> {
        let mut seen: BTreeMap<usize, Self> = BTreeMap::new();
        for (x, y, pixel) in page.enumerate_pixels() {
            let frame = usize::from(pixel[1]);
            if frame < count && *pixel == colour(frame) {
                let frame = seen.entry(frame).or_default();
                *frame.rows.entry(y).or_default() += 1;
                *frame.columns.entry(x).or_default() += 1;
            }
        }
        // A photograph may hold the colour in a few pixels; a frame's shortest side has more.
        seen.retain(|_, frame| frame.columns.values().sum::<u32>() > 40);
        seen
    }

    /// Whether the outermost rows and columns are coloured from end to end, but for the corners' rounding.
    fn is_closed(&self) -> bool {
        let ends = |counts: &BTreeMap<u32, u32>| {
            let (first, last) = (counts.first_key_value(), counts.last_key_value());
            first.zip(last).map(|((from, first), (to, last))| (to - from + 1, *first.min(last)))
        };
        let (across, down) = (ends(&self.columns), ends(&self.rows));
        across.zip(down).is_some_and(|((width, upright), (height, level))| upright + 4 >= height && level + 4 >= width)
    }
}

#[test]
fn a_frame_that_lacks_a_side_is_seen() {
    let mut page = RgbImage::from_pixel(794, 1123, Rgb([255, 255, 255]));
    let mut side = |x: std::ops::Range<u32>, y: std::ops::Range<u32>| {
        x.for_each(|x| y.clone().for_each(|y| page.put_pixel(x, y, colour(0))));
    };
    side(100..600, 900..904);
    side(100..104, 900..1100);
    side(596..600, 900..1100);
    let cut = cut_frames(std::slice::from_ref(&page), 1);
    assert!(cut.len() == 1 && cut[0].contains("lacks a side"), "{cut:?}");
    let mut whole = page.clone();
    (100..600).for_each(|x| whole.put_pixel(x, 1099, colour(0)));
    assert_eq!(cut_frames(&[whole.clone()], 1), Vec::<String>::new());
    assert_eq!(cut_frames(&[whole, page], 1), ["frame 0 is on 2 pages"]);
    assert_eq!(cut_frames(&[], 1), ["frame 0 is nowhere"]);
}
