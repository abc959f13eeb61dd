//! How far measuring is, on one line of the terminal: frames done, and the time that is left.

use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};

use crate::sight::Progress;

/// The line; gone when dropped.
pub struct ProgressLine {
    bar: ProgressBar,
    begun: Instant,
}

impl ProgressLine {
    pub fn new() -> Self {
        let style = ProgressStyle::with_template("{spinner} {msg} ({elapsed})");
        let bar = ProgressBar::new_spinner().with_style(style.expect("the template is a constant that parses"));
        bar.enable_steady_tick(Duration::from_millis(150));
        Self { bar, begun: Instant::now() }
    }

    /// Tells of `progress` in a clip of `of` frames, as far as the file says.
    pub fn tell(&self, progress: Progress, of: Option<usize>) {
        self.bar.set_message(match progress {
            Progress::Reading { frames } => reading(frames, of, self.begun.elapsed()),
            Progress::Searching { frames } => format!("looking for the ball in {frames} frames"),
        });
        self.bar.tick();
    }
}

impl Drop for ProgressLine {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Before so long nothing is said of the time left: short clips are done by then, and the first frames tell little.
const SPEAKS_AFTER: Duration = Duration::from_secs(2);

fn reading(frames: usize, of: Option<usize>, elapsed: Duration) -> String {
    // A file may say too few.
    let Some(of) = of.filter(|&of| of >= frames) else { return format!("reading, frame {frames}") };
    let known = format!("reading, frame {frames} of {of}");
    if frames == 0 || elapsed < SPEAKS_AFTER {
        return known;
    }
    let left_s = (elapsed.as_secs_f64() * (of - frames) as f64 / frames as f64).ceil();
    if left_s < 100.0 {
        format!("{known}, about {left_s:.0} s left")
    } else {
        format!("{known}, about {:.0} min left", (left_s / 60.0).ceil())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_time_left_follows_from_the_frames_done() {
        let s = Duration::from_secs;
        assert_eq!(reading(120, Some(480), s(4)), "reading, frame 120 of 480, about 12 s left");
        assert_eq!(reading(10, Some(3600), s(5)), "reading, frame 10 of 3600, about 30 min left");
        assert_eq!(reading(480, Some(480), s(16)), "reading, frame 480 of 480, about 0 s left");
    }

    #[test]
    fn nothing_is_said_that_isnt_known() {
        let s = Duration::from_secs;
        assert_eq!(reading(3, Some(480), s(1)), "reading, frame 3 of 480");
        assert_eq!(reading(0, Some(480), s(9)), "reading, frame 0 of 480");
        assert_eq!(reading(12, None, s(9)), "reading, frame 12");
        assert_eq!(reading(12, Some(5), s(9)), "reading, frame 12");
    }
}
