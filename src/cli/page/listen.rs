//! Listening: samples that come from the browser, or from a recorder on this machine, into a
//! file of the folder and through a [`Session`].

use super::desk::{COVERAGE, Listened, Place};
use crate::cli::one_thread;
use groovelag::capture::{
    MAX_SAMPLE_RATE_HZ, ReadOptions, Recording, Stereo, StreamWriter, open_stream,
};
use groovelag::delay;
use groovelag::report::turntable::Live;
use groovelag::session::{Session, SessionSettings};
use groovelag::uncertainty::Warning;
use groovelag::units::MILLIMETRE;
use rayon::ThreadPool;
use serde::Serialize;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::PathBuf;
use std::process::{Child, ChildStderr, Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Bytes of a frame as the browser sends it: two 32-bit floating-point samples.
const FRAME_BYTES: usize = 8;

/// Largest piece, bytes: two seconds at the highest rate; the browser sends a quarter of one.
pub const LARGEST_PIECE: u64 = 2 * MAX_SAMPLE_RATE_HZ as u64 * FRAME_BYTES as u64;

/// Samples of a recorder are taken in so many times a second (common practice, no source).
const BLOCKS_PER_SECOND: u32 = 20;

/// Without samples for so long, the page says so: a dozen pieces of the browser's (common
/// practice, no source).
const SILENT_FOR: Duration = Duration::from_secs(3);

/// What is found is looked at again when half as much has come once more, which narrows noise by a
/// fifth, and after so many half seconds at the latest: figures change little then, and a look
/// takes some 40 ms of a processor of which listening may take 2 % (measured).
const LOOK_STEPS: u64 = 16;

/// Forms that a recorder is asked for, the finest first: converters give some of them, and
/// nothing between may convert.
const FORMS: [(&str, &str); 6] = [
    ("S24_3LE", "96000"),
    ("S32_LE", "96000"),
    ("S24_3LE", "48000"),
    ("S32_LE", "48000"),
    ("S16_LE", "48000"),
    ("S16_LE", "44100"),
];

/// Why both channels may be the same where a browser brings them.
const PROCESSED: &str = "Both channels are the same. The browser, the system or the recorder's input mixes them into one (echo cancellation, noise suppression, gain control, a one-channel input), or a mono switch is on. Choose an input with two channels and switch all processing off, or record with another program and add the file";

/// Why one channel is not enough.
const ONE_CHANNEL: &str = "This input has one channel, and the offset between two is what is measured. Choose an input with two channels (a phono stage at the line input), or record with another program and add the file";

/// An input of this machine, beside those that the browser has.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Input {
    /// How it is asked for.
    pub id: String,
    /// What it is called.
    pub name: String,
}

/// What the page is listening to, if it is.
#[derive(Clone, Default)]
pub struct Ear(Arc<Mutex<Option<Listening>>>);

/// What a browser says of its input.
#[derive(Debug, Clone)]
pub struct Heard<'a> {
    /// Sample rate, hertz.
    pub rate: &'a str,
    /// Number of channels.
    pub channels: &'a str,
    /// What processes them, in words; empty where nothing does.
    pub processing: &'a str,
    /// What the input is called.
    pub name: &'a str,
}

/// What a recorder says beside its samples.
type Said = BufReader<ChildStderr>;

/// Where samples come from.
struct Feed {
    rate: u32,
    bits: Option<u16>,
    name: String,
    recorder: Option<Child>,
}

struct Listening {
    place: Place,
    file_name: String,
    path: PathBuf,
    file: Option<StreamWriter<File>>,
    session: Session,
    frames: u64,
    /// Half seconds taken in.
    steps: u64,
    /// With which of them what is found is looked at again.
    look_at: u64,
    /// Whether the programme paused then.
    paused: bool,
    live: Live,
    /// Seconds that the browser lost.
    lost_s: f64,
    came: Instant,
    recorder: Option<Child>,
    /// One thread for all that is calculated, so that memory is kept for one alone.
    calculator: Arc<ThreadPool>,
    /// Whether a browser or a system mixer may have touched the samples.
    mixed: bool,
}

impl Ear {
    fn lock(&self) -> MutexGuard<'_, Option<Listening>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What is shown of it.
    pub fn live(&self) -> Option<Live> {
        self.lock().as_ref().map(Listening::shown)
    }

    /// Refuses a second recording at a time.
    pub fn is_free(&self) -> Result<(), String> {
        match &*self.lock() {
            None => Ok(()),
            Some(_) => Err(
                "A recording is being made already, perhaps in another window: keep or discard it first."
                    .to_owned(),
            ),
        }
    }

    /// Begins to listen to what the browser will send.
    pub fn begin(
        &self,
        heard: &Heard<'_>,
        place: Place,
        listened: impl FnOnce() -> Result<Listened, String>,
    ) -> Result<Live, String> {
        if !heard.processing.is_empty() {
            return Err(format!(
                "The browser processes the sound ({}), although it was asked not to. That changes the offset between the channels: switch it off, choose another input, or record with another program and add the file.",
                heard.processing
            ));
        }
        if heard.channels != "2" {
            return Err(format!("{ONE_CHANNEL}."));
        }
        let rate = heard.rate.parse();
        let feed = Feed {
            rate: rate.map_err(|_| "The browser names no sample rate.")?,
            bits: None,
            name: heard.name.to_owned(),
            recorder: None,
        };
        self.start(place, feed, listened)
    }

    /// Begins to listen to an input of this machine.
    pub fn record(
        &self,
        input: &str,
        place: Place,
        listened: impl FnOnce() -> Result<Listened, String>,
    ) -> Result<Live, String> {
        let known = inputs().into_iter().find(|i| i.id == input);
        let known = known.ok_or("This input is gone; load the page anew.")?;
        let (child, said, mut recording) = recorder(input)?;
        let rate = recording.sample_rate_hz();
        let feed = Feed {
            rate,
            bits: recording.bits(),
            name: known.name,
            recorder: Some(child),
        };
        let live = self.start(place, feed, listened)?;
        let (ear, file) = (self.clone(), live.file.clone());
        std::thread::spawn(move || {
            for lost_s in said
                .lines()
                .map_while(Result::ok)
                .filter_map(|l| overrun(&l))
            {
                // what it says of the last samples comes after them
                if let Some(listening) = ear.lock().as_mut().filter(|l| l.file_name == file) {
                    listening.lost_s += lost_s;
                }
            }
        });
        let ear = self.clone();
        std::thread::spawn(move || {
            let frames = (rate / BLOCKS_PER_SECOND) as usize;
            loop {
                let mut block = Stereo::default();
                let read = recording.read(&mut block, frames);
                let mut lock = ear.lock();
                // ended by the user
                let Some(listening) = lock.as_mut().filter(|l| l.recorder.is_some()) else {
                    return;
                };
                match read {
                    Ok(n) if n > 0 => listening.take(&block),
                    _ => {
                        listening
                            .end("The recorder has stopped: the input may have been unplugged");
                        return;
                    }
                }
            }
        });
        Ok(live)
    }

    fn start(
        &self,
        place: Place,
        mut feed: Feed,
        listened: impl FnOnce() -> Result<Listened, String>,
    ) -> Result<Live, String> {
        let calculator = one_thread();
        let calculator = calculator.inspect_err(|_| stop(&mut feed.recorder))?;
        let mut lock = self.lock();
        let begun = match &*lock {
            Some(_) => Err("A recording is being made already.".to_owned()),
            None => listened(),
        };
        let begun = begun.and_then(|listened| {
            let radius_mm = listened.job.captures[0].radius.map(|r| r / MILLIMETRE);
            let turned = listened.job.captures[0]
                .turn
                .value
                .is_some_and(|turn| turn != 0.0);
            let settings = SessionSettings {
                // where in a part that moves the needle is, is known at its end
                radius_mm: [0.5 * (radius_mm[0] + radius_mm[1]); 2],
                pitch_mm: None,
                calibration: None,
                delay: delay::EstimateSettings::of_groove(),
                coverage: COVERAGE,
                wanted_deg: None,
            };
            let session = Session::live(&listened.file_name, feed.rate, listened.job, settings);
            let file =
                StreamWriter::new(listened.file, feed.rate, feed.bits).map_err(|e| e.to_string());
            match session
                .map_err(|e| e.to_string())
                .and_then(|s| Ok((s, file?)))
            {
                Ok((session, file)) => Ok((
                    session,
                    file,
                    listened.what,
                    listened.file_name,
                    listened.path,
                    turned,
                )),
                Err(message) => {
                    let _ = std::fs::remove_file(&listened.path);
                    Err(message)
                }
            }
        });
        let (session, file, what, file_name, path, turned) =
            begun.inspect_err(|_| stop(&mut feed.recorder))?;
        let live = Live::new(what, file_name.clone(), feed.name, turned);
        *lock = Some(Listening {
            place,
            file_name,
            path,
            file: Some(file),
            session,
            frames: 0,
            steps: 0,
            look_at: 1,
            paused: false,
            live: live.clone(),
            lost_s: 0.0,
            calculator: Arc::new(calculator),
            came: Instant::now(),
            mixed: feed.recorder.is_none(),
            recorder: feed.recorder,
        });
        Ok(live)
    }

    /// Takes a piece in, of which `first` is the number of the first frame; `lost_s` is what
    /// the browser knows to have lost before it. An empty piece says that the input is gone.
    pub fn hear(&self, first: u64, lost_s: f64, bytes: &[u8]) -> Result<Live, String> {
        let mut lock = self.lock();
        let listening = lock.as_mut().ok_or("No recording is being made.")?;
        if listening.recorder.is_some() || first != listening.frames {
            return Err(
                "This piece does not belong to the recording that is being made.".to_owned(),
            );
        }
        if bytes.is_empty() {
            listening.end("The sound input has gone: unplugged, or taken by another program");
        }
        if !bytes.len().is_multiple_of(FRAME_BYTES) {
            return Err("This piece is not whole.".to_owned());
        }
        let mut block = Stereo::default();
        for frame in bytes.chunks_exact(FRAME_BYTES) {
            let sample = |at: usize| {
                let bytes = [frame[at], frame[at + 1], frame[at + 2], frame[at + 3]];
                f32::from_le_bytes(bytes)
            };
            block.left.push(sample(0));
            block.right.push(sample(4));
        }
        listening.lost_s += lost_s.max(0.0);
        listening.take(&block);
        Ok(listening.shown())
    }

    /// Ends the recording; gives its place and file where it is to be kept.
    pub fn end(&self, keep: bool) -> Result<Option<(Place, String)>, String> {
        let mut lock = self.lock();
        let mut listening = lock.take().ok_or("No recording is being made.")?;
        stop(&mut listening.recorder);
        if let Some(file) = listening.file.take() {
            let saved = file.finish().and_then(|file| file.sync_all());
            saved.map_err(|e| format!("{} may not be whole ({e}).", listening.file_name))?;
        }
        if keep {
            return Ok(Some((listening.place, listening.file_name)));
        }
        let removed = std::fs::remove_file(&listening.path);
        removed.map_err(|e| format!("{} cannot be removed ({e}).", listening.file_name))?;
        Ok(None)
    }
}

impl Listening {
    fn take(&mut self, block: &Stereo) {
        let calculator = Arc::clone(&self.calculator);
        calculator.install(|| self.take_in(block));
    }

    fn take_in(&mut self, block: &Stereo) {
        if self.live.ended {
            return;
        }
        self.came = Instant::now();
        if let Some(Err(e)) = self.file.as_mut().map(|file| file.write(block)) {
            self.end(&format!(
                "The recording cannot be saved ({e}): make room on the disk"
            ));
            return;
        }
        self.frames += block.left.len() as u64;
        self.session.push(block);
        let before = self.steps;
        while self.session.step() {
            self.steps += 1;
        }
        if self.steps == before {
            return;
        }
        self.live.show_level(&self.session.signal());
        let paused = std::mem::replace(&mut self.paused, self.session.pauses());
        if self.steps < self.look_at && paused == self.paused {
            return;
        }
        self.look_at = self.steps + (self.steps / 2).clamp(1, LOOK_STEPS);
        match self.session.so_far() {
            Ok(estimate) => {
                self.live.show(&estimate);
                let same = estimate
                    .health
                    .iter()
                    .any(|c| c.code == Warning::SameSignal);
                if same && self.mixed {
                    self.end(PROCESSED);
                }
            }
            Err(e) => self.end(&e.to_string()),
        }
    }

    fn end(&mut self, why: &str) {
        self.live.end(why);
        stop(&mut self.recorder);
    }

    fn shown(&self) -> Live {
        let mut live = self.live.clone();
        if !live.ended && self.came.elapsed() > SILENT_FOR {
            live.order = "No sound comes any more: the window that listens may be closed. Keep what came, or discard it.".to_owned();
        }
        if self.lost_s > 0.0 {
            live.source += &format!(
                "; {:.2} s of it were lost on the way: close other programs and windows",
                self.lost_s
            );
        }
        live
    }
}

/// Ends a recorder that runs.
fn stop(recorder: &mut Option<Child>) {
    if let Some(mut child) = recorder.take() {
        let _ = child.kill();
        let _ = child.wait();
    }
}

/// What `arecord` lists, where it is there: 24 bits, and no mixer between.
pub fn inputs() -> Vec<Input> {
    let listed = Command::new("arecord")
        .arg("-l")
        .env("LC_ALL", "C")
        .stdin(Stdio::null())
        .output();
    let text = listed.map(|o| String::from_utf8_lossy(&o.stdout).into_owned());
    text.map_or_else(
        |_| Vec::new(),
        |text| text.lines().filter_map(input).collect(),
    )
}

/// "card 1: CODEC [USB Audio CODEC], device 0: USB Audio [USB Audio]" as an input (the form from
/// memory; no device was at hand).
fn input(line: &str) -> Option<Input> {
    let (card, rest) = line.strip_prefix("card ")?.split_once(": ")?;
    let (name, device) = rest.split_once(", device ")?;
    let (device, _) = device.split_once(": ")?;
    let (card, device): (u16, u16) = (card.parse().ok()?, device.parse().ok()?);
    let name = name
        .split_once('[')
        .map_or(name, |(_, long)| long.trim_end_matches(']'));
    Some(Input {
        id: format!("hw:{card},{device}"),
        name: format!("{name}, direct"),
    })
}

/// "overrun!!! (at least 12.345 ms long)" as seconds (the form from memory).
fn overrun(line: &str) -> Option<f64> {
    let (_, rest) = line.split_once("overrun!!! (at least ")?;
    let (ms, _) = rest.split_once(" ms")?;
    ms.parse().ok().map(|ms: f64| ms / 1000.0)
}

/// A recorder in the finest form that the input gives, what it says, and what it records.
fn recorder(input: &str) -> Result<(Child, Said, Recording), String> {
    let mut said = String::new();
    for (form, rate) in FORMS {
        let child = Command::new("arecord")
            .args([
                "-q", "-D", input, "-c", "2", "-f", form, "-r", rate, "-t", "wav",
            ])
            .env("LC_ALL", "C")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn();
        let mut child = child.map_err(|e| format!("arecord cannot be started ({e})."))?;
        let (out, err) = (child.stdout.take(), child.stderr.take());
        let (Some(out), Some(err)) = (out, err) else {
            continue;
        };
        let mut err = BufReader::new(err);
        match open_stream(out, input, &ReadOptions::default()) {
            // at another rate than was asked for
            Ok(recording) if recording.sample_rate_hz().to_string() == rate => {
                return Ok((child, err, recording));
            }
            _ => {
                stop(&mut Some(child));
                said.clear();
                let _ = err.by_ref().take(1000).read_to_string(&mut said);
            }
        }
    }
    Err(format!(
        "The input gives no stereo sound ({}). Another program may use it; choose another one, or close that program.",
        groovelag::outside::shown(said.trim())
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inputs_are_read_as_arecord_lists_them() {
        let list = "**** List of CAPTURE Hardware Devices ****
card 1: CODEC [USB Audio CODEC], device 0: USB Audio [USB Audio]
  Subdevices: 1/1
  Subdevice #0: subdevice #0
card 12: x: y, device z";
        let found: Vec<Input> = list.lines().filter_map(input).collect();
        let only = Input {
            id: "hw:1,0".to_owned(),
            name: "USB Audio CODEC, direct".to_owned(),
        };
        assert_eq!(found, [only]);
    }
}
