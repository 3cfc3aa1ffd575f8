//! `groovelag follow`: a running estimate while the record plays.
//!
//! One thread waits for samples and hands them over in blocks; the other takes
//! them in, looks twice a second, and shows what it saw. Blocks, the end and an
//! interruption come through one queue, in order, so that nothing that came is
//! lost. Of a stream that comes faster than it plays the clock decides which
//! updates are shown; what they say, and the end, do not depend on it.

use super::arguments::{self, ReadingArguments, RecordingArguments};
use super::measure::{PlaceArguments, SituationArguments};
use super::output::{self, Inputs, Kind};
use super::{Common, Outcome};
use clap::Args;
use groovelag::analysis::Request;
use groovelag::capture::{self, Recording, Stereo, StreamWriter};
use groovelag::job::Job;
use groovelag::outside::shown;
use groovelag::report::{StreamEstimate, last_word};
use groovelag::session::{Session, SessionResult, SessionSettings};
use std::ffi::OsString;
use std::fs::File;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::{Duration, Instant};

/// Blocks a second of stream: as much is lost when a stalled stream is
/// interrupted.
const BLOCKS_PER_SECOND: u32 = 20;
/// Blocks that may wait: 5 s, so that a reader of the results who is slow for a
/// moment does not hold up the recorder.
const QUEUE: usize = 100;
/// After this time without samples a terminal says so.
const STALL: Duration = Duration::from_secs(1);
/// Updates of a stream that comes faster than it plays are this far apart: half
/// of a step, so that none of a played stream is left out for coming unevenly.
const SHOW_EVERY: Duration = Duration::from_millis(250);
/// Blocks on a terminal that cannot take the one before back are this far apart: time to
/// read one (common practice, no source).
const DUMB_EVERY: Duration = Duration::from_secs(5);

/// Follow the rotation while the record plays
#[derive(Debug, Args)]
#[command(
    after_help = "Shows twice a second the rotation so far, that of the latest four seconds, level
and health of the signal, and the benefit of more time. Two seconds without
programme, as when the arm is lifted for a turn, end the estimate; what plays
next starts a new one, shown with the one before and the change. Ends with the
stream, with Ctrl-C or at --until. Into a file or a pipe it writes JSON Lines.

Example:
  arecord -f S24_3LE -r 96000 -c 2 -t wav |
      groovelag follow - --radius 72 --rpm 33"
)]
pub struct Follow {
    /// A recording, or - for standard input (WAV, FLAC, or --raw)
    capture: OsString,
    #[command(flatten)]
    place: PlaceArguments,
    /// Groove pitch, mm per revolution (negative: outwards)
    #[arg(long, value_name = "MM", value_parser = arguments::pitch, allow_hyphen_values = true)]
    pitch: Option<f64>,
    #[command(flatten)]
    situation: SituationArguments,
    #[command(flatten)]
    reading: ReadingArguments,
    /// Calibration, as groovelag calibrate wrote it
    #[arg(long, value_name = "FILE")]
    chain: Option<PathBuf>,
    /// End when the standard uncertainty reaches this
    #[arg(long, value_name = "DEG", value_parser = arguments::positive_degrees)]
    until: Option<f64>,
    /// Show each half second of the stream, however fast it arrives
    #[arg(long)]
    all_updates: bool,
    /// Save the stream to this file, which is always valid
    #[arg(long, value_name = "FILE.wav")]
    save: Option<PathBuf>,
    /// Overwrite an older saved stream
    #[arg(long, requires = "save")]
    force: bool,
    #[command(flatten)]
    common: Common,
}

/// What comes through the queue.
enum Message {
    /// The recording is open.
    Opened(Box<Session>),
    /// The next samples.
    Block(Stereo),
    /// The end: the recording as it is then, or why it cannot be read on.
    End(Result<Box<Recording>, String>),
    /// The user, or the system, wants an end.
    Stop,
}

/// Reads a recording to its end and hands over what comes. When nobody takes it
/// any more there is nothing left to do.
fn listen(request: &Request, job: Job, settings: SessionSettings, queue: &SyncSender<Message>) {
    let opened = capture::open(&request.source, &request.options).map_err(|e| e.to_string());
    let opened = opened.and_then(|recording| {
        let session = Session::new(&recording, job, settings).map_err(|e| e.to_string())?;
        Ok((recording, Box::new(session)))
    });
    let mut recording = match opened {
        Ok((recording, session)) => {
            if queue.send(Message::Opened(session)).is_err() {
                return;
            }
            recording
        }
        Err(message) => {
            let _ = queue.send(Message::End(Err(message)));
            return;
        }
    };
    let frames = (recording.sample_rate_hz() / BLOCKS_PER_SECOND) as usize;
    loop {
        let mut block = Stereo::default();
        let message = match recording.read(&mut block, frames) {
            Ok(0) => break,
            Ok(_) => Message::Block(block),
            Err(error) => Message::End(Err(error.to_string())),
        };
        let ended = matches!(message, Message::End(_));
        if queue.send(message).is_err() || ended {
            return;
        }
    }
    let _ = queue.send(Message::End(Ok(Box::new(recording))));
}

impl Follow {
    /// Runs the command.
    pub fn run(&self) -> Result<Outcome, String> {
        let radius = self.place.radius;
        if self.pitch.is_some() && radius.start_mm != radius.end_mm {
            return Err(
                "--pitch follows the radius from its start: give only the start with --radius, or both radii without --pitch"
                    .to_owned(),
            );
        }
        let chain = self.chain.as_ref().map(|c| c.as_os_str());
        let read = [self.capture.as_os_str()].into_iter().chain(chain);
        Inputs::of(read).spare(self.save.as_deref())?;
        if let Some(path) = &self.save {
            output::check_free(path, Kind::Stream, self.force)?;
        }
        let calibration = super::calibration(self.chain.as_deref())?;
        let recording = RecordingArguments {
            from: None,
            to: None,
            reading: self.reading.clone(),
        };
        let request = recording.request(&self.capture, self.writes_json())?;
        let job = self
            .situation
            .job(&self.place, &recording, &[("", &self.capture)]);
        let settings = SessionSettings {
            radius_mm: [radius.start_mm, radius.end_mm],
            pitch_mm: self.pitch,
            calibration,
            delay: self.reading.settings(),
            coverage: self.common.coverage,
            wanted_deg: self.until,
        };
        let (sender, queue) = sync_channel(QUEUE);
        let interruptions = sender.clone();
        ctrlc::set_handler(move || {
            let _ = interruptions.send(Message::Stop);
        })
        .map_err(|e| format!("interruptions cannot be caught ({e})"))?;
        std::thread::Builder::new()
            .spawn(move || listen(&request, job, settings, &sender))
            .map_err(|e| format!("cannot start a thread ({e}); free memory and try again"))?;
        match queue.recv() {
            Ok(Message::Opened(session)) => self.follow(*session, &queue),
            Ok(Message::End(Err(message))) => Err(message),
            _ => Err("interrupted before the stream began; start the recorder first".to_owned()),
        }
    }

    fn follow(&self, mut session: Session, queue: &Receiver<Message>) -> Result<Outcome, String> {
        let mut kept = self.keep(&session)?;
        let mut unkept = Ok(());
        let mut view = View::new(self.writes_json());
        let mut shown = None;
        let ending = 'stream: loop {
            match view.wait(queue)? {
                Message::Block(block) => {
                    // what is measured does not end with the file
                    if let Some(Err(message)) = kept.as_mut().map(|k| k.write(&block)) {
                        view.clear()?;
                        output::note(&message);
                        kept = None;
                        unkept = Err(message);
                    }
                    session.push(&block);
                    let mut stretch = session.stretch();
                    while session.step() {
                        let new = std::mem::replace(&mut stretch, session.stretch()) != stretch;
                        if !(self.is_due(&mut shown) || new) {
                            continue;
                        }
                        let estimate = session.look().map_err(|e| e.to_string())?;
                        if !view.show(&estimate)? {
                            break 'stream Ending::Unread;
                        }
                        if session.reached(estimate.rotation_deg.or(estimate.cut_rotation_deg)) {
                            break 'stream Ending::Early;
                        }
                    }
                }
                Message::End(recording) => break Ending::Stream(recording?),
                Message::Stop | Message::Opened(_) => break Ending::Early,
            }
        };
        if let Some(Kept { path, file }) = kept {
            let finished = file.finish().and_then(|file| file.sync_all());
            unkept = finished.map_err(|e| cannot_keep(path, &e));
        }
        view.clear()?;
        let recording = match ending {
            Ending::Stream(recording) => Some(*recording),
            Ending::Early => None,
            Ending::Unread => return unkept.map(|()| Outcome::Done),
        };
        let SessionResult {
            measurement,
            before,
        } = session.end(recording).map_err(|e| e.to_string())?;
        output::print(&match view {
            View::Json => json_line(&measurement)?,
            _ => last_word(&measurement, before.as_ref(), output::width()),
        })?;
        unkept?;
        let angle = measurement.rotation_deg.or(measurement.cut_rotation_deg);
        let enough = self
            .until
            .is_none_or(|wanted| angle.is_some_and(|angle| angle.standard_uncertainty <= wanted));
        Ok(if enough {
            Outcome::Done
        } else {
            Outcome::LimitNotMet
        })
    }

    /// Whether a step is to be looked at. --until is judged at every step, so
    /// that the end does not depend on the clock.
    fn is_due(&self, shown: &mut Option<Instant>) -> bool {
        let all = self.all_updates || self.until.is_some();
        let now = Instant::now();
        let due = all || shown.is_none_or(|before| now - before >= SHOW_EVERY);
        if due {
            *shown = Some(now);
        }
        due
    }

    /// JSON Lines where they are asked for, and for a file or another program.
    fn writes_json(&self) -> bool {
        self.common.json || !std::io::stdout().is_terminal()
    }

    /// Opens the file to keep the stream in.
    fn keep(&self, session: &Session) -> Result<Option<Kept<'_>>, String> {
        let Some(path) = &self.save else {
            return Ok(None);
        };
        let file = output::create_file(path, Kind::Stream, self.force)?;
        let file = StreamWriter::new(file, session.sample_rate_hz(), session.bits())
            .map_err(|e| cannot_keep(path, &e))?;
        Ok(Some(Kept { path, file }))
    }
}

/// The file in which the stream is kept.
struct Kept<'a> {
    path: &'a Path,
    file: StreamWriter<File>,
}

impl Kept<'_> {
    fn write(&mut self, block: &Stereo) -> Result<(), String> {
        self.file
            .write(block)
            .map_err(|e| cannot_keep(self.path, &e))
    }
}

fn cannot_keep(path: &Path, error: &std::io::Error) -> String {
    format!(
        "{} cannot be written ({error}); check that its folder exists and has room",
        path.display()
    )
}

/// How the loop ended.
enum Ending {
    /// With the stream.
    Stream(Box<Recording>),
    /// Before it: interrupted, or enough.
    Early,
    /// Nobody reads the results any more.
    Unread,
}

fn json_line(document: &impl serde::Serialize) -> Result<String, String> {
    groovelag::document::json_line(document).map_err(|e| e.to_string())
}

/// How updates are shown.
enum View {
    /// JSON Lines.
    Json,
    /// In place: the block on the screen and its number of rows, and whether it
    /// says that nothing comes.
    Terminal {
        block: String,
        rows: usize,
        stalled: bool,
    },
    /// One block after the other, on a terminal that cannot go back, and when the
    /// latest was shown.
    Dumb(Option<Instant>),
}

impl View {
    fn new(json: bool) -> Self {
        if json {
            Self::Json
        } else if output::has_cursor(&std::io::stdout()) {
            Self::Terminal {
                block: String::new(),
                rows: 0,
                stalled: false,
            }
        } else {
            Self::Dumb(None)
        }
    }

    /// The next message; on a terminal, says meanwhile that nothing comes.
    fn wait(&mut self, queue: &Receiver<Message>) -> Result<Message, String> {
        // The listener sends an end before it goes.
        let gone = || "the stream broke off".to_owned();
        if !matches!(self, Self::Terminal { .. }) {
            return queue.recv().map_err(|_| gone());
        }
        loop {
            match queue.recv_timeout(STALL) {
                Ok(message) => return Ok(message),
                Err(RecvTimeoutError::Disconnected) => return Err(gone()),
                Err(RecvTimeoutError::Timeout) => {
                    self.stall()?;
                }
            }
        }
    }

    fn stall(&mut self) -> Result<(), String> {
        if let Self::Terminal { block, stalled, .. } = self
            && !*stalled
        {
            *stalled = true;
            let text = format!("{block}{}", text_of_waiting());
            self.redraw(&text)?;
        }
        Ok(())
    }

    /// Shows an update; false if nobody reads any more.
    fn show(&mut self, estimate: &StreamEstimate) -> Result<bool, String> {
        match self {
            Self::Json => output::print_as_it_is(&json_line(estimate)?),
            Self::Dumb(shown_at) => {
                let now = Instant::now();
                if shown_at.is_some_and(|before| now - before < DUMB_EVERY) {
                    return Ok(true);
                }
                *shown_at = Some(now);
                let block = estimate.block(output::width());
                output::print_as_it_is(&(shown(&block) + "\n"))
            }
            Self::Terminal { block, stalled, .. } => {
                *block = estimate.block(output::width());
                *stalled = false;
                let text = block.clone();
                self.redraw(&text)
            }
        }
    }

    /// Replaces the block on the screen: up to its first line, erase what is
    /// below (ECMA-48: CPL, ED).
    fn redraw(&mut self, text: &str) -> Result<bool, String> {
        let Self::Terminal { rows, .. } = self else {
            return Ok(true);
        };
        let back = match *rows {
            0 => String::new(),
            n => format!("\x1b[{n}F\x1b[J"),
        };
        let text = shown(text);
        *rows = rows_of(&text, output::width());
        output::print_as_it_is(&format!("{back}{text}"))
    }

    /// Takes the block off the screen.
    fn clear(&mut self) -> Result<(), String> {
        self.redraw("").map(|_| ())
    }
}

/// Rows that a text takes on a terminal, which breaks lines that are longer than it is wide.
fn rows_of(text: &str, width: usize) -> usize {
    let rows = |line: &str| line.chars().count().div_ceil(width).max(1);
    text.lines().map(rows).sum()
}

fn text_of_waiting() -> String {
    "Waiting for samples (Ctrl-C to end)\n".to_owned()
}

#[cfg(test)]
mod tests {
    use super::rows_of;

    #[test]
    fn long_lines_take_several_rows() {
        assert_eq!(rows_of("", 20), 0);
        assert_eq!(rows_of("a\n\nb\n", 20), 3);
        let line = "x".repeat(41);
        assert_eq!(rows_of(&format!("{line}\n{}\n", &line[..40]), 20), 5);
    }
}
