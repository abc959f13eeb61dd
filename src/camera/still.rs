//! The still background of a clip: the median of some of its frames, in which passing balls and people vanish.

use crate::clip::{Picture, Plane, Transfer};

/// Frames that are kept at most; a ball in flight covers a place in one or two of them.
const KEPT: usize = 9;

/// Gathers frames evenly over a clip whose length isn't known beforehand.
#[derive(Debug, Clone, Default)]
pub struct StillPicture {
    kept: Vec<Plane>,
    /// Every so many frames one is taken; doubled when there are too many.
    stride: usize,
    seen: usize,
    transfer: Option<Transfer>,
}

impl StillPicture {
    pub fn new() -> Self {
        Self { stride: 1, ..Self::default() }
    }

    /// Takes the next frame; frames of another size than the first are passed over.
    pub fn push(&mut self, picture: &Picture) {
        let place = self.seen;
        self.seen += 1;
        let fits =
            self.kept.first().is_none_or(|first| (first.width, first.height) == (picture.width(), picture.height()));
        if !place.is_multiple_of(self.stride) || !fits {
            return;
        }
        if self.kept.len() == KEPT {
            let mut kept = 0;
            self.kept.retain(|_| {
                kept += 1;
                kept % 2 == 1
            });
            self.stride *= 2;
            if !place.is_multiple_of(self.stride) {
                return;
            }
        }
        self.transfer = Some(picture.transfer);
        self.kept.push(picture.luma.clone());
    }

    /// The median of the frames kept, and how its samples relate to light; `None` when there were no frames.
    pub fn finish(&self) -> Option<(Plane, Transfer)> {
        let first = self.kept.first()?;
        let mut column = vec![0u8; self.kept.len()];
        let samples = (0..first.samples.len())
            .map(|i| {
                column.iter_mut().zip(&self.kept).for_each(|(value, plane)| *value = plane.samples[i]);
                let middle = column.len() / 2;
                *column.select_nth_unstable(middle).1
            })
            .collect();
        Some((Plane { width: first.width, height: first.height, samples }, self.transfer?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::ColourMatrix;

    fn picture(value: u8, ball: Option<usize>) -> Picture {
        let plane = |width: usize, height: usize| Plane { width, height, samples: vec![value; width * height] };
        let mut luma = plane(8, 4);
        if let Some(place) = ball {
            luma.samples[place] = 250;
        }
        Picture { luma, cb: plane(4, 2), cr: plane(4, 2), matrix: ColourMatrix::Bt709, transfer: Transfer::Bt709 }
    }

    #[test]
    fn what_passes_by_vanishes() {
        // 31 places and strides that are powers of two: the ball is never twice at the same place among the frames kept.
        for frames in [1, 8, 9, 10, 300] {
            let mut still = StillPicture::new();
            (0..frames).for_each(|k| still.push(&picture(100, (frames > 4).then_some(k % 31))));
            let (plane, transfer) = still.finish().unwrap();
            assert!(plane.samples.iter().all(|s| *s == 100), "{frames}");
            assert_eq!(transfer, Transfer::Bt709);
            assert!(still.kept.len() <= KEPT);
        }
        assert!(StillPicture::new().finish().is_none());
    }
}
