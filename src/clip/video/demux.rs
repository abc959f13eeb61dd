//! Opening a file, with a bound on the pictures that FFmpeg decodes to learn what is in it.

#![allow(unsafe_code, reason = "FFmpeg is opened with bounds that its wrapper lacks")]

use std::ffi::CString;
use std::ptr;

use ffmpeg_next::format::context::Input;
use ffmpeg_next::{Dictionary, Error, ffi};

use crate::clip::MOST_PIXELS;

/// Why a file could not be opened.
#[derive(Debug)]
pub(super) enum Unopened {
    /// Pictures larger than any camera's, which would fill the memory.
    TooLarge {
        width: usize,
        height: usize,
    },
    Ffmpeg(Error),
}

/// Opens `url` with FFmpeg's options of the container, and reads as much as is needed to know its tracks.
pub(super) fn open(url: &str, options: Dictionary) -> Result<Input, Unopened> {
    let url = CString::new(url).map_err(|_| Unopened::Ffmpeg(Error::InvalidData))?;
    let mut context = ptr::null_mut();
    // SAFETY: the context is null, so that the library makes one, which `Input` owns and closes from then on; the dictionary is
    // taken back whatever comes of it.
    let mut input = unsafe {
        let mut raw = options.disown();
        let opened = ffi::avformat_open_input(&mut context, url.as_ptr(), ptr::null_mut(), &mut raw);
        drop(Dictionary::own(raw));
        if opened < 0 {
            return Err(Unopened::Ffmpeg(Error::from(opened)));
        }
        Input::wrap(context)
    };
    no_larger_than_a_camera_s(&input)?;
    find_tracks(&mut input).map_err(Unopened::Ffmpeg)?;
    no_larger_than_a_camera_s(&input)?;
    Ok(input)
}

/// FFmpeg decodes the first pictures here by itself; each track's decoder gets the bound.
fn find_tracks(input: &mut Input) -> Result<(), Error> {
    let bound = |_| {
        let mut options = Dictionary::new();
        options.set("max_pixels", &MOST_PIXELS.to_string());
        // SAFETY: owned again below.
        unsafe { options.disown() }
    };
    let mut bounds: Vec<*mut ffi::AVDictionary> = (0..input.nb_streams()).map(bound).collect();
    // SAFETY: one dictionary for each of the tracks that are known now, as the library asks for; they are taken back afterwards.
    let found = unsafe {
        let found = ffi::avformat_find_stream_info(input.as_mut_ptr(), bounds.as_mut_ptr());
        bounds.into_iter().for_each(|bound| drop(Dictionary::own(bound)));
        found
    };
    if found < 0 { Err(Error::from(found)) } else { Ok(()) }
}

fn no_larger_than_a_camera_s(input: &Input) -> Result<(), Unopened> {
    let too_large = input.streams().find_map(|stream| {
        // SAFETY: the parameters belong to the stream, which is alive; two plain fields are read.
        let (width, height) = unsafe {
            let parameters = (*stream.as_ptr()).codecpar;
            ((*parameters).width.max(0) as usize, (*parameters).height.max(0) as usize)
        };
        (width.saturating_mul(height) > MOST_PIXELS).then_some((width, height))
    });
    too_large.map_or(Ok(()), |(width, height)| Err(Unopened::TooLarge { width, height }))
}
