//! What FFmpeg's decoders complain of while they go on.
//!
//! A decoder with several threads hands out a frame's flags before the frame is done, so that damage which it covers up with
//! neighbouring pictures isn't always marked, and some codecs never mark it. What all of them do is log it.

#![allow(unsafe_code, reason = "FFmpeg's log is a C callback")]

use std::ffi::{c_char, c_int, c_void};
use std::ptr;
use std::sync::Arc;
use std::sync::Once;
use std::sync::atomic::{AtomicUsize, Ordering};

use ffmpeg_next::{codec, ffi};

/// Errors that one decoder and its threads have logged.
#[derive(Debug, Default)]
pub(super) struct Complaints {
    count: Arc<AtomicUsize>,
}

impl Complaints {
    /// Listens to a decoder that isn't opened yet. The decoder must be closed before this is dropped.
    pub fn of(context: &mut codec::Context) -> Self {
        static LISTENING: Once = Once::new();
        LISTENING.call_once(|| {
            // SAFETY: the callback takes what FFmpeg's own takes, and may be set at any time.
            unsafe { ffi::av_log_set_callback(Some(hear)) };
        });
        let complaints = Self::default();
        // SAFETY: `opaque` is the caller's own field, which FFmpeg only copies, to the contexts of the decoder's threads too.
        unsafe { (*context.as_mut_ptr()).opaque = Arc::as_ptr(&complaints.count).cast_mut().cast() };
        complaints
    }

    /// Errors so far.
    pub fn count(&self) -> usize {
        self.count.load(Ordering::Relaxed)
    }
}

/// Counts an error at the decoder that logged it and prints nothing: FFmpeg's own lines on stderr would only frighten. The type of
/// the arguments differs between systems, and they aren't looked at.
unsafe extern "C" fn hear<T>(speaker: *mut c_void, level: c_int, _format: *const c_char, _arguments: T) {
    if speaker.is_null() || level > ffi::AV_LOG_ERROR as c_int {
        return;
    }
    // SAFETY: what speaks begins with a pointer to its class, by FFmpeg's contract for logging. One of the class of codec contexts
    // is one, and `opaque` is null or what `of` put there; only this file sets it.
    unsafe {
        if !ptr::eq(*speaker.cast::<*const ffi::AVClass>(), ffi::avcodec_get_class()) {
            return;
        }
        let count = (*speaker.cast::<ffi::AVCodecContext>()).opaque.cast::<AtomicUsize>();
        if let Some(count) = count.as_ref() {
            count.fetch_add(1, Ordering::Relaxed);
        }
    }
}
