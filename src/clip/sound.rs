//! The sound track of a clip, as one channel of samples on the same clock as the frames' stamps.

use std::path::Path;

use ffmpeg_next::format::sample::{Sample, Type};
use ffmpeg_next::{Packet, codec, frame, media};

use super::video::open_quietly;

/// A piece of a sound track.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// The first channel, −1 to 1.
    pub samples: Vec<f32>,
    pub rate_hz: f64,
    /// When the first of them sounds, s on the clock of the frames' stamps.
    pub first_s: f64,
}

/// The sound between two times of the file's clock, s; `None` where the file has none there, or none that can be read: nothing
/// rests on it alone.
pub fn sound_between(path: &Path, from_s: f64, to_s: f64) -> Option<Sound> {
    let mut input = open_quietly(path).ok()?;
    let stream = input.streams().best(media::Type::Audio)?;
    let (index, base) = (stream.index(), f64::from(stream.time_base()));
    let context = codec::context::Context::from_parameters(stream.parameters()).ok()?;
    let mut decoder = context.decoder().audio().ok()?;
    let mut piece = Piece { from_s, to_s, sound: None };
    let mut decoded = frame::Audio::empty();
    loop {
        let mut packet = Packet::empty();
        match packet.read(&mut input) {
            Ok(()) if packet.stream() != index => continue,
            Ok(()) => {
                // A damaged packet leaves a gap, which the next one's stamp shows.
                let _ = decoder.send_packet(&packet);
            }
            Err(_) => {
                let _ = decoder.send_eof();
            }
        }
        let at_end = packet.size() == 0;
        while decoder.receive_frame(&mut decoded).is_ok() {
            let start_s = decoded.pts().map(|pts| pts as f64 * base);
            if piece.take(&decoded, start_s)? {
                return piece.sound;
            }
        }
        if at_end {
            return piece.sound;
        }
    }
}

struct Piece {
    from_s: f64,
    to_s: f64,
    sound: Option<Sound>,
}

impl Piece {
    /// Adds what of a frame is wanted; gives whether nothing more is, and `None` for a form of samples that isn't known.
    fn take(&mut self, decoded: &frame::Audio, start_s: Option<f64>) -> Option<bool> {
        let rate_hz = f64::from(decoded.rate());
        let length_s = decoded.samples() as f64 / rate_hz;
        let expected_s = self.sound.as_ref().map(|sound| sound.first_s + sound.samples.len() as f64 / rate_hz);
        let start_s = start_s.or(expected_s)?;
        if start_s + length_s <= self.from_s {
            return Some(false);
        }
        if start_s >= self.to_s {
            return Some(true);
        }
        let samples = first_channel(decoded)?;
        let sound = self.sound.get_or_insert(Sound { samples: Vec::new(), rate_hz, first_s: start_s });
        let gap = ((start_s - sound.first_s) * rate_hz).round() as i64 - sound.samples.len() as i64;
        // Stamps are rounded to their base; more than a hundredth of a second is a piece that is lost.
        if gap as f64 > 0.01 * rate_hz {
            sound.samples.resize(sound.samples.len() + gap as usize, 0.0);
        }
        sound.samples.extend(samples);
        Some(false)
    }
}

fn first_channel(decoded: &frame::Audio) -> Option<Vec<f32>> {
    let count = decoded.samples();
    let step = if decoded.is_planar() { 1 } else { usize::from(decoded.channels()) };
    let bytes = decoded.data(0);
    let every = |size: usize, of: &dyn Fn(&[u8]) -> f32| -> Vec<f32> {
        bytes.chunks_exact(size).step_by(step.max(1)).take(count).map(of).collect()
    };
    Some(match decoded.format() {
        Sample::U8(_) => every(1, &|b| (f32::from(b[0]) - 128.0) / 128.0),
        Sample::I16(_) => every(2, &|b| f32::from(i16::from_ne_bytes([b[0], b[1]])) / 32768.0),
        Sample::I32(_) => every(4, &|b| i32::from_ne_bytes([b[0], b[1], b[2], b[3]]) as f32 / 2f32.powi(31)),
        Sample::F32(Type::Packed | Type::Planar) => every(4, &|b| f32::from_ne_bytes([b[0], b[1], b[2], b[3]])),
        _ => return None,
    })
}

/// RIFF AVI with one track of 16-bit mono PCM (Microsoft, *AVI RIFF File Reference*), written out by hand.
#[cfg(test)]
pub(crate) fn avi(rate: u32, samples: &[i16]) -> Vec<u8> {
    let samples: Vec<u8> = samples.iter().flat_map(|sample| sample.to_le_bytes()).collect();
    let count = (samples.len() / 2) as u32;
    let chunk = |name: &[u8; 4], data: &[u8]| [name.as_slice(), &(data.len() as u32).to_le_bytes(), data].concat();
    let list = |kind: &[u8; 4], data: &[u8]| chunk(b"LIST", &[kind.as_slice(), data].concat());
    let words = |values: &[u32]| values.iter().flat_map(|v| v.to_le_bytes()).collect::<Vec<u8>>();
    let header = chunk(b"avih", &words(&[0, rate * 2, 0, 0x10, 1, 0, 1, 0, 0, 0, 0, 0, 0, 0]));
    // Stream header: type, handler, flags, priority, initial frames, scale, rate, start, length, buffer, quality, sample size, frame.
    let stream = [b"auds".to_vec(), words(&[0, 0, 0, 0, 2, 2 * rate, 0, count, 0, u32::MAX, 2, 0, 0])].concat();
    let mut form = Vec::new();
    for value in [1u16, 1] {
        form.extend(value.to_le_bytes());
    }
    form.extend(words(&[rate, 2 * rate]));
    for value in [2u16, 16] {
        form.extend(value.to_le_bytes());
    }
    let track = list(b"strl", &[chunk(b"strh", &stream), chunk(b"strf", &form)].concat());
    let body = [list(b"hdrl", &[header, track].concat()), list(b"movi", &chunk(b"00wb", &samples))].concat();
    chunk(b"RIFF", &[b"AVI ".as_slice(), &body].concat())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A click at 0.300 s in a second of PCM.
    #[test]
    fn a_click_is_where_it_sounds() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("click.avi");
        let samples: Vec<i16> = (0..8000).map(|i| if i == 2400 { 30000 } else { 0 }).collect();
        std::fs::write(&path, avi(8000, &samples)).unwrap();
        let sound = sound_between(&path, 0.0, 10.0).unwrap();
        assert_eq!((sound.rate_hz, sound.first_s), (8000.0, 0.0));
        let loudest = (0..sound.samples.len()).max_by(|a, b| sound.samples[*a].total_cmp(&sound.samples[*b])).unwrap();
        assert_eq!(loudest, 2400);
        assert!((sound.samples[2400] - 30000.0 / 32768.0).abs() < 1e-6);
    }

    #[test]
    fn no_sound_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("nothing.mp4");
        std::fs::write(&path, b"no clip").unwrap();
        assert_eq!(sound_between(&path, 0.0, 1.0), None);
        assert_eq!(sound_between(&folder.path().join("absent.mp4"), 0.0, 1.0), None);
    }
}
