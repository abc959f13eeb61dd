//! Video files, decoded by the system's FFmpeg on a thread of their own.

#![allow(unsafe_code, reason = "fields of FFmpeg that its wrapper lacks")]

use std::io;
use std::path::{Path, PathBuf};
use std::ptr;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread;

use ffmpeg_next as ffmpeg;
use ffmpeg_next::codec::threading;
use ffmpeg_next::format::context::Input;
use ffmpeg_next::format::stream::Disposition;
use ffmpeg_next::{Dictionary, Packet, Rational, Stream, codec, decoder, ffi, frame, media};

use super::orientation::Orientation;
use super::tone::DynamicRange;
use super::{
    ClipError, ClipInfo, ClipReport, Frame, FrameSource, MOST_PIXELS, Picture, ReadOptions, Remark, fingerprint, iso,
    name_of, orientation, trailer,
};

use crate::small_file;

mod complaints;
mod convert;
mod demux;

use complaints::Complaints;
use convert::Converter;
use demux::Unopened;

/// Pictures that wait between decoding and analysis, to even out their pace; of large ones one less.
const PICTURES_WAITING: usize = 2;
const LARGE_PICTURE_BYTES: usize = 8 << 20;
/// What the frames held by decoder threads may take, in bytes. Each thread holds a frame of its own and tables as large again, besides
/// the four or so that the codec refers to: at 4K a third thread takes 25 MiB and saves no time on two processors.
const THREAD_FRAMES_BYTES: usize = 32 << 20;
/// After this many failed reads in a row the file is taken to be at its end.
const READ_FAILURES_TO_GIVE_UP: usize = 64;

/// Demuxers that recordings come in. Left out are those that turn text into pictures, and playlists, which read other files.
const CONTAINERS: &str = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,mpegvideo,asf,flv,ogg,ivf,mxf,dv,gif,apng,\
                          mjpeg,h264,hevc,m4v,av1,obu,rawvideo,yuv4mpegpipe";
/// Those in which phones, and the cameras that classes use, record.
const PHONES_CONTAINERS: &str = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts";
/// Codecs of their pictures, and FFmpeg's names of what decodes them.
const PHONES_CODECS: [codec::Id; 9] = [
    codec::Id::H264,
    codec::Id::HEVC,
    codec::Id::AV1,
    codec::Id::VP8,
    codec::Id::VP9,
    codec::Id::MPEG4,
    codec::Id::MJPEG,
    codec::Id::H263,
    codec::Id::PRORES,
];
const PHONES_DECODERS: &str = "h264,hevc,av1,libdav1d,libaom-av1,vp8,vp9,mpeg4,mjpeg,h263,prores";
/// Containers without times of their own: what FFmpeg makes up for them is its usual rate or the encoder's guess.
const WITHOUT_TIMES: [&str; 9] = ["mjpeg", "h264", "hevc", "m4v", "mpegvideo", "obu", "rawvideo", "dv", "h263"];

enum Message {
    Frame(Frame),
    End(ClipReport),
    Failed(ClipError),
}

/// A video file as a [`FrameSource`].
pub(super) struct VideoFile {
    info: ClipInfo,
    report: ClipReport,
    messages: Receiver<Message>,
    spare: Sender<Picture>,
    frames_stated: Option<usize>,
    ended: bool,
}

impl VideoFile {
    pub(super) fn open(path: &Path, options: &ReadOptions) -> Result<Self, ClipError> {
        let reader = Reader::open(path, options)?;
        let large = reader.info.width * reader.info.height * 3 / 2 > LARGE_PICTURE_BYTES;
        let (sender, messages) = sync_channel(PICTURES_WAITING - usize::from(large));
        let (spare, spares) = channel();
        let (info, report) = (reader.info.clone(), reader.report.clone());
        let frames_stated = reader.frames_stated();
        thread::Builder::new()
            .name("clip reader".to_owned())
            .spawn(move || reader.run(&sender, &spares))
            .map_err(|error| ClipError::Unreadable(error.to_string()))?;
        Ok(Self { info, report, messages, spare, frames_stated, ended: false })
    }
}

impl FrameSource for VideoFile {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, ClipError> {
        if self.ended {
            return Ok(None);
        }
        match self.messages.recv() {
            Ok(Message::Frame(frame)) => {
                self.report.frames += 1;
                self.report.frames_without_stamp += usize::from(frame.stamp_s.is_none());
                Ok(Some(frame))
            }
            Ok(Message::End(report)) => {
                self.ended = true;
                self.report = report;
                Ok(None)
            }
            Ok(Message::Failed(error)) => {
                self.ended = true;
                Err(error)
            }
            Err(_) => {
                self.ended = true;
                Err(ClipError::Unreadable("the reading thread stopped".to_owned()))
            }
        }
    }

    fn report(&self) -> ClipReport {
        self.report.clone()
    }

    fn frames_stated(&self) -> Option<usize> {
        self.frames_stated
    }

    fn recycle(&mut self, picture: Picture) {
        // The reading thread may have gone home already; then the memory is simply freed.
        let _ = self.spare.send(picture);
    }
}

/// Demuxer, decoder and all that is counted on the way; lives on the calling thread until the first frame is there.
struct Reader {
    path: PathBuf,
    input: Input,
    decoder: decoder::Video,
    /// Outlives the decoder, which speaks to it.
    complaints: Complaints,
    stream_index: usize,
    packets_stated: usize,
    packets_read: usize,
    time_base: Rational,
    orientation: Orientation,
    /// Width over height of a stored pixel.
    pixel_aspect: Rational,
    /// Whether the container gives frames times of their own.
    has_times: bool,
    interlaced_frames: usize,
    window_s: Option<(f64, f64)>,
    /// The first frame, decoded at opening so that a clip without any is refused there.
    pending: Option<frame::Video>,
    draining: bool,
    info: ClipInfo,
    report: ClipReport,
}

impl Reader {
    fn open(path: &Path, options: &ReadOptions) -> Result<Self, ClipError> {
        let (completeness, slow_segments) = look_at_bytes(path)?;
        let input = open_input(path, completeness, options.as_phones_record)?;
        let (stream, others) = chosen_stream(&input, options.track, path)?;
        if options.as_phones_record && !PHONES_CODECS.contains(&stream.parameters().id()) {
            return Err(ClipError::CodecNotTaken { codec: codec_name(&stream), path: path.to_owned() });
        }
        let (stream_index, time_base) = (stream.index(), stream.time_base());
        let has_times = !WITHOUT_TIMES.contains(&input.format().name());
        let (orientation, odd_turn) = orientation_of(&stream);
        // Where the bytes tell whether the file is whole, the number isn't asked: in an ISO file it counts frames that an edit list may
        // hide, in an AVI file empty ones that stand for gaps.
        let frames = usize::try_from(stream.frames()).unwrap_or(0);
        let packets_stated = if completeness.end_known { 0 } else { frames };
        let (decoder, complaints) = open_decoder(&stream, path)?;
        let info = ClipInfo {
            name: name_of(path),
            width: 0,
            height: 0,
            codec: decoder.id().name().to_owned(),
            container: input.format().name().to_owned(),
            stated_rate_hz: rate(stream.avg_frame_rate()).or_else(|| rate(stream.rate())).filter(|_| has_times),
            capture_rate_tag_hz: capture_rate_tag(&input, &stream),
            quarter_turns: orientation.quarter_turns(),
            mirrored: orientation.mirrored(),
            pixel_aspect_applied: false,
            dynamic_range: String::new(),
            bit_depth: 8,
            rows_along_y: !orientation.swapped,
        };
        let mut remarks: Vec<Remark> = others.into_iter().collect();
        remarks.extend(odd_turn.then_some(Remark::OddTurn));
        remarks.extend(
            info.capture_rate_tag_hz
                .filter(|_| info.capture_rate_hz().is_none())
                .map(|capture_rate_hz| Remark::ImpossibleRate { capture_rate_hz }),
        );
        let report = ClipReport { truncated: completeness.ends_early, slow_segments, remarks, ..ClipReport::default() };
        let mut reader = Self {
            path: path.to_owned(),
            input,
            decoder,
            complaints,
            stream_index,
            packets_stated,
            packets_read: 0,
            time_base,
            orientation,
            pixel_aspect: Rational::new(1, 1),
            has_times,
            interlaced_frames: 0,
            window_s: options.window_s,
            pending: None,
            draining: false,
            info,
            report,
        };
        reader.leave_out_other_streams();
        let first = reader.decode()?.ok_or_else(|| ClipError::NoFrames(path.to_owned()))?;
        reader.describe(&first);
        reader.pending = Some(first);
        Ok(reader)
    }

    /// The container's count, which an edit list may lower; else its length times its rate.
    fn frames_stated(&self) -> Option<usize> {
        let stream = self.input.stream(self.stream_index)?;
        let counted = usize::try_from(stream.frames()).ok().filter(|&frames| frames > 0);
        let length_s = self.input.duration() as f64 / f64::from(ffi::AV_TIME_BASE);
        let by_length =
            || self.info.stated_rate_hz.map(|rate| (rate * length_s).round()).filter(|frames| *frames >= 1.0);
        counted.or_else(|| by_length().map(|frames| frames as usize))
    }

    /// Completes what is said of the clip by what only a decoded frame shows.
    fn describe(&mut self, first: &frame::Video) {
        self.turn_as_the_pictures_say(first);
        self.pixel_aspect = self.guess_pixel_aspect(first);
        let converter = Converter::new(first, self.orientation, self.pixel_aspect);
        (self.info.width, self.info.height) = converter.displayed_size();
        self.info.pixel_aspect_applied = converter.pixel_aspect_applied();
        self.info.dynamic_range = converter.dynamic_range().name().to_owned();
        self.info.bit_depth = converter.bit_depth();
        if converter.dynamic_range() != DynamicRange::Sdr {
            self.report.remarks.push(Remark::WideRange { curve: self.info.dynamic_range.clone() });
        }
    }

    /// Some cameras write turn and mirror into the pictures (display orientation SEI of H.264 and H.265) and not into the container.
    fn turn_as_the_pictures_say(&mut self, first: &frame::Video) {
        let stated = self.input.stream(self.stream_index).is_some_and(|stream| display_matrix(&stream).is_some());
        let Some(data) = first.side_data(frame::side_data::Type::DisplayMatrix).filter(|_| !stated) else { return };
        let Some(matrix) = matrix_of(data.data()) else { return };
        self.orientation = Orientation::from_display_matrix(&matrix);
        if !orientation::is_by_quarters(&matrix) {
            self.report.remarks.push(Remark::OddTurn);
        }
        self.info.quarter_turns = self.orientation.quarter_turns();
        self.info.mirrored = self.orientation.mirrored();
        self.info.rows_along_y = !self.orientation.swapped;
    }

    /// The container's word on the shape of pixels where it has one, else the stream's.
    fn guess_pixel_aspect(&mut self, first: &frame::Video) -> Rational {
        let Some(mut stream) = self.input.stream_mut(self.stream_index) else { return Rational::new(1, 1) };
        // SAFETY: stream and frame are alive; the library reads their fields only and takes no context for it.
        let aspect = unsafe {
            ffi::av_guess_sample_aspect_ratio(ptr::null_mut(), stream.as_mut_ptr(), first.as_ptr().cast_mut())
        };
        Rational::from(aspect)
    }

    fn leave_out_other_streams(&mut self) {
        let others: Vec<usize> =
            self.input.streams().map(|stream| stream.index()).filter(|&index| index != self.stream_index).collect();
        for index in others {
            if let Some(mut stream) = self.input.stream_mut(index) {
                // SAFETY: the stream belongs to `input`, which is borrowed here alone; `discard` is a plain field that
                // the caller is meant to set between opening and reading.
                unsafe { (*stream.as_mut_ptr()).discard = ffi::AVDiscard::AVDISCARD_ALL };
            }
        }
    }

    /// Sends every frame shown, then the report; ends early when nobody listens any more.
    fn run(mut self, sender: &SyncSender<Message>, spares: &Receiver<Picture>) {
        let ended = self.send_frames(sender, spares);
        let message = match ended {
            Ok(true) => {
                self.report.fingerprint = fingerprint::of_file(&self.path);
                Message::End(self.report)
            }
            Ok(false) => return,
            Err(error) => Message::Failed(error),
        };
        let _ = sender.send(message);
    }

    /// `false` when the listener has gone.
    fn send_frames(&mut self, sender: &SyncSender<Message>, spares: &Receiver<Picture>) -> Result<bool, ClipError> {
        let mut converter = None;
        let mut origin_s = None;
        let mut index = 0;
        while let Some(decoded) = self.next_decoded()? {
            let converter =
                converter.get_or_insert_with(|| Converter::new(&decoded, self.orientation, self.pixel_aspect));
            let stamp_s = decoded.timestamp().filter(|_| self.has_times).map(|ticks| seconds(ticks, self.time_base));
            self.interlaced_frames += usize::from(decoded.is_interlaced());
            let place = self.place_in_window(stamp_s, &mut origin_s);
            if place == Place::After {
                return Ok(self.finish(true));
            }
            self.report.damaged_frames += usize::from(decoded.is_corrupt() || decoded.has_decode_errors());
            if place == Place::Before {
                index += 1;
                continue;
            }
            let Some(picture) = converter.convert(&decoded, spares.try_iter().last()) else {
                // A frame of another size than the first can't be laid beside the others.
                self.report.decode_errors += 1;
                continue;
            };
            self.report.frames += 1;
            self.report.frames_without_stamp += usize::from(stamp_s.is_none());
            if sender.send(Message::Frame(Frame { index, stamp_s, picture })).is_err() {
                return Ok(false);
            }
            index += 1;
        }
        Ok(self.finish(false))
    }

    fn finish(&mut self, left_early: bool) -> bool {
        if !left_early && self.packets_read < self.packets_stated {
            self.report.truncated = true;
        }
        // A frame marked by mistake tears no flight.
        if 10 * self.interlaced_frames > self.report.frames {
            let (frames, of) = (self.interlaced_frames, self.report.frames.max(self.interlaced_frames));
            self.report.remarks.push(Remark::Interlaced { frames, of });
        }
        // An error that came back by the call was logged as well.
        self.report.decode_errors = self.report.decode_errors.max(self.complaints.count());
        true
    }

    fn place_in_window(&self, stamp_s: Option<f64>, origin_s: &mut Option<f64>) -> Place {
        let (Some((from_s, to_s)), Some(stamp_s)) = (self.window_s, stamp_s) else {
            return Place::Within;
        };
        let since_first_s = stamp_s - *origin_s.get_or_insert(stamp_s);
        if since_first_s < from_s {
            Place::Before
        } else if since_first_s > to_s {
            Place::After
        } else {
            Place::Within
        }
    }

    fn next_decoded(&mut self) -> Result<Option<frame::Video>, ClipError> {
        match self.pending.take() {
            Some(first) => Ok(Some(first)),
            None => self.decode(),
        }
    }

    /// The next frame out of the decoder, fed as it asks and drained at the end.
    fn decode(&mut self) -> Result<Option<frame::Video>, ClipError> {
        let mut decoded = frame::Video::empty();
        let mut failures_while_draining = 0;
        loop {
            match self.decoder.receive_frame(&mut decoded) {
                Ok(()) => return Ok(Some(decoded)),
                Err(ffmpeg::Error::Eof) => return Ok(None),
                Err(error) if wants_more(error) && self.draining => return Ok(None),
                Err(error) if wants_more(error) => self.feed(),
                Err(_) => {
                    self.report.decode_errors += 1;
                    failures_while_draining += usize::from(self.draining);
                    if failures_while_draining > READ_FAILURES_TO_GIVE_UP {
                        return Ok(None);
                    }
                }
            }
        }
    }

    /// Hands the decoder one packet of the stream, or the end.
    fn feed(&mut self) {
        let mut failures = 0;
        while failures < READ_FAILURES_TO_GIVE_UP {
            let mut packet = Packet::empty();
            match packet.read(&mut self.input) {
                Ok(()) if packet.stream() != self.stream_index => {}
                // The piece of a frame that a cut file ends in would decode to a torn picture.
                Ok(()) if packet.is_corrupt() && self.report.truncated => {}
                Ok(()) => return self.send(&packet),
                Err(ffmpeg::Error::Eof) => break,
                Err(error) if wants_more(error) => failures += 1,
                Err(_) => {
                    self.report.truncated = true;
                    failures += 1;
                }
            }
        }
        self.draining = true;
        if self.decoder.send_eof().is_err() {
            self.report.decode_errors += 1;
        }
    }

    fn send(&mut self, packet: &Packet) {
        self.packets_read += 1;
        if self.decoder.send_packet(packet).is_err() {
            self.report.decode_errors += 1;
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    Before,
    Within,
    After,
}

fn seconds(ticks: i64, time_base: Rational) -> f64 {
    // One division of whole numbers, so that the same tick gives the same second whatever the base's form.
    ticks as f64 * f64::from(time_base.numerator()) / f64::from(time_base.denominator())
}

fn wants_more(error: ffmpeg::Error) -> bool {
    matches!(error, ffmpeg::Error::Other { errno } if errno == ffmpeg::error::EAGAIN)
}

fn rate(rate: Rational) -> Option<f64> {
    let hertz = f64::from(rate.numerator()) / f64::from(rate.denominator());
    (hertz.is_finite() && hertz > 0.0).then_some(hertz)
}

/// What the file's bytes say before any demuxer is asked.
fn look_at_bytes(path: &Path) -> Result<(iso::Completeness, Vec<super::SlowSegment>), ClipError> {
    let not_readable = |source: io::Error| ClipError::NotReadable { path: path.to_owned(), source };
    let mut file = small_file::open(path).map_err(not_readable)?;
    if file.metadata().map_err(not_readable)?.len() == 0 {
        return Err(ClipError::Empty(path.to_owned()));
    }
    let completeness = iso::completeness(&mut file).map_err(not_readable)?;
    Ok((completeness, trailer::slow_segments(&mut file)))
}

/// The file's tracks, for what isn't pictures.
pub(super) fn open_quietly(path: &Path) -> Result<Input, ClipError> {
    open_input(path, look_at_bytes(path)?.0, false)
}

fn open_input(path: &Path, completeness: iso::Completeness, as_phones_record: bool) -> Result<Input, ClipError> {
    ffmpeg::init().map_err(|error| ClipError::Unreadable(error.to_string()))?;
    ffmpeg::log::set_level(ffmpeg::log::Level::Quiet);
    let name = path.to_str().ok_or_else(|| ClipError::NameNotText(path.to_owned()))?;
    let mut options = Dictionary::new();
    options.set("format_whitelist", if as_phones_record { PHONES_CONTAINERS } else { CONTAINERS });
    if as_phones_record {
        options.set("codec_whitelist", PHONES_DECODERS);
    }
    // The prefix keeps a name such as `a:b.mp4` from being taken for an address.
    demux::open(&format!("file:{name}"), options).map_err(|error| match error {
        Unopened::TooLarge { width, height } => ClipError::TooLarge { path: path.to_owned(), width, height },
        _ if completeness.lacks_contents => ClipError::TableOfContentsMissing(path.to_owned()),
        Unopened::Ffmpeg(ffmpeg::Error::InvalidData | ffmpeg::Error::DemuxerNotFound) => {
            ClipError::NotAVideo(path.to_owned())
        }
        Unopened::Ffmpeg(ffmpeg::Error::Other { errno }) if errno == ffmpeg::error::EINVAL => {
            ClipError::NotAVideo(path.to_owned())
        }
        Unopened::Ffmpeg(other) => ClipError::Unreadable(format!("{other}: `{}`", path.display())),
    })
}

/// The moving picture that was asked for, or the file's own choice; and what is to be said where there are several.
fn chosen_stream<'a>(
    input: &'a Input,
    track: Option<usize>,
    path: &Path,
) -> Result<(Stream<'a>, Option<Remark>), ClipError> {
    let moving: Vec<usize> = input.streams().filter(is_picture).map(|stream| stream.index()).collect();
    let chosen = match track {
        Some(track) => {
            let index = track.checked_sub(1).and_then(|place| moving.get(place));
            let none = || ClipError::NoSuchTrack { path: path.to_owned(), track, tracks: moving.len() };
            input.stream(*index.ok_or_else(none)?)
        }
        None => main_stream(input),
    };
    let stream = chosen.ok_or_else(|| ClipError::NoVideoStream(path.to_owned()))?;
    let used = moving.iter().position(|index| *index == stream.index()).map_or(1, |place| place + 1);
    // Who chose one knows of the others.
    let others = track.is_none() && moving.len() > 1;
    Ok((stream, others.then_some(Remark::OtherTracks { used, tracks: moving.len() })))
}

fn is_picture(stream: &Stream) -> bool {
    stream.parameters().medium() == media::Type::Video && !stream.disposition().contains(Disposition::ATTACHED_PIC)
}

/// The moving picture of the file: never cover art, and never a still beside a moving track.
fn main_stream(input: &Input) -> Option<Stream<'_>> {
    let best = input.streams().best(media::Type::Video).filter(|stream| is_picture(stream) && stream.frames() != 1);
    best.or_else(|| {
        // `frames` is 0 where the container doesn't say; such a track is likelier to move than a stated still.
        let moving = |stream: &Stream| match stream.frames() {
            0 => i64::MAX,
            stated => stated,
        };
        input.streams().filter(is_picture).max_by_key(|stream| (moving(stream), std::cmp::Reverse(stream.index())))
    })
}

/// How the container says that the picture lies, and whether that is other than by quarter turns.
fn orientation_of(stream: &Stream) -> (Orientation, bool) {
    let Some(matrix) = display_matrix(stream) else { return (Orientation::default(), false) };
    (Orientation::from_display_matrix(&matrix), !orientation::is_by_quarters(&matrix))
}

fn display_matrix(stream: &Stream) -> Option<[i32; 9]> {
    let mut all = stream.side_data();
    matrix_of(all.find(|data| data.kind() == codec::packet::side_data::Type::DisplayMatrix)?.data())
}

fn matrix_of(bytes: &[u8]) -> Option<[i32; 9]> {
    if bytes.len() < 36 {
        return None;
    }
    let mut numbers = [0; 9];
    for (number, bytes) in numbers.iter_mut().zip(bytes.chunks_exact(4)) {
        *number = i32::from_ne_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]);
    }
    Some(numbers)
}

/// The codec's name, or the four letters of the container where FFmpeg knows no name.
fn codec_name(stream: &Stream) -> String {
    let parameters = stream.parameters();
    if parameters.id() != codec::Id::None {
        return parameters.id().name().to_owned();
    }
    // SAFETY: the parameters belong to the stream, which is alive; a plain field is read.
    let tag = unsafe { (*(*stream.as_ptr()).codecpar).codec_tag };
    let letters: String =
        tag.to_le_bytes().iter().map(|&b| if b.is_ascii_graphic() { b as char } else { '?' }).collect();
    if tag == 0 { "unknown".to_owned() } else { letters }
}

fn open_decoder(stream: &Stream, path: &Path) -> Result<(decoder::Video, Complaints), ClipError> {
    let no_decoder = || ClipError::NoDecoder { codec: codec_name(stream), path: path.to_owned() };
    let mut context = codec::Context::from_parameters(stream.parameters()).map_err(|_| no_decoder())?;
    // SAFETY: `context` is owned here and not opened yet; both fields are meant to be set by the caller before that, and
    // the wrapper offers one kind of threading only.
    let (width, height) = unsafe {
        let raw = context.as_mut_ptr();
        (*raw).max_pixels = MOST_PIXELS as i64;
        ((*raw).width.max(1) as usize, (*raw).height.max(1) as usize)
    };
    context.set_threading(threading::Config { count: thread_count(width * height * 3 / 2), ..Default::default() });
    // SAFETY: as above.
    unsafe { (*context.as_mut_ptr()).thread_type = ffi::FF_THREAD_FRAME | ffi::FF_THREAD_SLICE };
    let complaints = Complaints::of(&mut context);
    let mut decoder = context.decoder();
    decoder.set_packet_time_base(stream.time_base());
    Ok((decoder.video().map_err(|_| no_decoder())?, complaints))
}

/// As many decoder threads as there are processors and one more, but not so many that their frames fill the memory.
fn thread_count(frame_bytes: usize) -> usize {
    let processors = thread::available_parallelism().map_or(1, usize::from);
    let afforded = (THREAD_FRAMES_BYTES / frame_bytes.max(1)).max(2);
    (processors + 1).min(afforded).min(16)
}

/// Frames per second at which the phone recorded, where the container or the track says so.
fn capture_rate_tag(input: &Input, stream: &Stream) -> Option<f64> {
    const TAGS: [&str; 3] =
        ["com.android.capture.fps", "com.android.capture.framerate", "com.apple.quicktime.capture.fps"];
    let container = input.metadata();
    let track = stream.metadata();
    TAGS.iter()
        .filter_map(|tag| container.get(tag).or_else(|| track.get(tag)))
        .filter_map(|text| text.trim().parse::<f64>().ok())
        .find(|rate| rate.is_finite() && *rate > 0.0)
}
