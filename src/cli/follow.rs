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
use groovelag::analysis::follow::{Ending as Ended, Follower, Moment};
use groovelag::analysis::{Analysis, Request, Through, settle};
use groovelag::capture::{self, Recording, Stereo, StreamWriter};
use groovelag::chain::Calibration;
use groovelag::delay::phase::PhaseTerm;
use groovelag::document::Program;
use groovelag::job::{self, Alignment, CaptureData, Job, JobError, Turned};
use groovelag::outside::shown;
use groovelag::report::{Before, Estimate, Measurement, Recent, last_word, text};
use groovelag::uncertainty::{Caveat, Direction, Level, Quantity, Warning, outlook};
use groovelag::units::{MICROSECOND, MILLIMETRE};
use std::collections::BTreeMap;
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
/// A pause longer than this, seconds, is taken for a lifted arm, lowered again at the radius
/// that was stated; a shorter one for the gap between two pieces, over which the groove
/// goes on (common practice, no source: gaps last 2 to 5 s, a turn with guard and screws far
/// longer).
const GAP_S: f64 = 10.0;

/// Follow the rotation while the record plays
#[derive(Debug, Args)]
#[command(
    after_help = "Shows twice a second the rotation so far and of the latest four seconds, level
and health of the signal, and what more time would bring. Two seconds without
programme, as when the arm is lifted for a turn, end the estimate: what plays
next has its own, shown with the one before and the change. Ends with the
stream, with Ctrl-C or at --until. Into a file or a pipe it writes JSON Lines.

Example:
  arecord -f S24_3LE -r 96000 -c 2 -t wav |
      groovelag follow - --radius 72 --rpm 33"
)]
pub struct Follow {
    /// - for standard input (WAV, FLAC, or --raw), or a recording
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
    /// End when the standard uncertainty is down to this
    #[arg(long, value_name = "DEG", value_parser = arguments::positive_degrees)]
    until: Option<f64>,
    /// Show each half second of the stream, however fast it comes
    #[arg(long)]
    all_updates: bool,
    /// Keep the stream in this file, whole at every moment
    #[arg(long, value_name = "FILE.wav")]
    save: Option<PathBuf>,
    /// Overwrite an older WAV file
    #[arg(long, requires = "save")]
    force: bool,
    #[command(flatten)]
    common: Common,
}

/// What comes through the queue.
enum Message {
    /// The recording is open.
    Opened(Box<Follower>),
    /// The next samples.
    Block(Stereo),
    /// The end: the recording as it is then, or why it cannot be read on.
    End(Result<Box<Recording>, String>),
    /// The user, or the system, wants an end.
    Stop,
}

/// Reads a recording to its end and hands over what comes. When nobody takes it
/// any more there is nothing left to do.
fn listen(request: Request, queue: &SyncSender<Message>) {
    let opened = capture::open(&request.source, &request.options).map_err(|e| e.to_string());
    let opened = opened.and_then(|recording| {
        let follower = Follower::new(&recording, request.settings).map_err(|e| e.to_string())?;
        Ok((recording, Box::new(follower)))
    });
    let mut recording = match opened {
        Ok((recording, follower)) => {
            if queue.send(Message::Opened(follower)).is_err() {
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
                "--pitch follows the radius from its start: give the start alone with --radius, or both radii without --pitch"
                    .to_owned(),
            );
        }
        let chain = self.chain.as_ref().map(|c| c.as_os_str());
        let read = [self.capture.as_os_str()].into_iter().chain(chain);
        if let Some(path) = &self.save {
            output::check_free(path, Kind::Wav, self.force)?;
        }
        Inputs::of(read).spare(self.save.as_deref())?;
        let calibration = super::calibration(self.chain.as_deref())?;
        let recording = RecordingArguments {
            from: None,
            to: None,
            reading: self.reading.clone(),
        };
        let request = recording.request(&self.capture, self.writes_json())?;
        let mut job = self
            .situation
            .job(&self.place, &recording, &[("", &self.capture)]);
        let mut terms = Vec::new();
        if let Some(calibration) = &calibration {
            terms = calibration.prior_changes().terms;
            job::replace_priors(
                &mut job,
                &BTreeMap::from([(String::new(), calibration.clone())]),
            );
        }
        let (sender, queue) = sync_channel(QUEUE);
        let interruptions = sender.clone();
        ctrlc::set_handler(move || {
            let _ = interruptions.send(Message::Stop);
        })
        .map_err(|e| format!("interruptions cannot be caught ({e})"))?;
        std::thread::Builder::new()
            .spawn(move || listen(request, &sender))
            .map_err(|e| format!("no thread can be made ({e}); free memory and try again"))?;
        let follower = match queue.recv() {
            Ok(Message::Opened(follower)) => follower,
            Ok(Message::End(Err(message))) => return Err(message),
            _ => return Err("interrupted before the stream began".to_owned()),
        };
        let captures = [(BEFORE, &self.capture), (AFTER, &self.capture)];
        let pair = self.situation.job(&self.place, &recording, &captures);
        let session = Session {
            radius: Groove::new(self, &follower)?,
            arguments: self,
            pair: Job {
                setups: pair.setups,
                captures: pair.captures,
                ..job.clone()
            },
            job,
            terms,
            calibration,
        };
        session.follow(*follower, &queue)
    }

    /// JSON Lines where they are asked for, and for a file or another program.
    fn writes_json(&self) -> bool {
        self.common.json || !std::io::stdout().is_terminal()
    }

    /// Opens the file to keep the stream in.
    fn keep(&self, follower: &Follower) -> Result<Option<Kept<'_>>, String> {
        let Some(path) = &self.save else {
            return Ok(None);
        };
        let file = output::create_file(path, Kind::Wav, self.force)?;
        let file = StreamWriter::new(file, follower.sample_rate_hz(), follower.bits())
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

/// Where the needle is, from what was said at the start.
#[derive(Debug, Clone, Copy)]
struct Groove {
    start_mm: f64,
    /// Change with time, mm/s, where the pitch tells.
    mm_per_s: Option<f64>,
    /// Radius and time of the end, where the length is known.
    end: Option<(f64, f64)>,
}

impl Groove {
    fn new(arguments: &Follow, follower: &Follower) -> Result<Self, String> {
        let radius = arguments.place.radius;
        let moves = radius.start_mm != radius.end_mm;
        let length_s = follower.length_s();
        if moves && length_s.is_none() {
            return Err(
                "radii of start and end can be followed only where the length is known beforehand, and this stream does not tell it; give the start with --radius and the groove pitch with --pitch"
                    .to_owned(),
            );
        }
        Ok(Self {
            start_mm: radius.start_mm,
            mm_per_s: arguments.pitch.map(|p| -p * arguments.place.rpm / 60.0),
            end: length_s.filter(|_| moves).map(|s| (radius.end_mm, s)),
        })
    }

    /// Radius at a time, mm, when the programme began at `began_s`.
    fn at(&self, time_s: f64, began_s: f64) -> f64 {
        let gone = time_s - began_s;
        match (self.mm_per_s, self.end) {
            (Some(speed), _) => self.start_mm + speed * gone,
            (None, Some((end_mm, end_s))) if end_s > began_s => {
                self.start_mm + (end_mm - self.start_mm) * (gone / (end_s - began_s)).min(1.0)
            }
            _ => self.start_mm,
        }
    }
}

/// Setups of the job of two stretches.
const BEFORE: &str = "before";
const AFTER: &str = "after";

/// What is known of the stretches so far.
#[derive(Default)]
struct Course {
    /// Number of the stretch that plays.
    stretch: usize,
    /// When programme began at the radius stated, seconds, if that was before this stretch.
    lowered_s: Option<f64>,
    /// The stretch before.
    earlier: Option<Earlier>,
}

impl Course {
    /// When programme began at the radius stated, for a stretch that began at `began_s`.
    fn lowered(&self, began_s: f64) -> f64 {
        self.lowered_s.unwrap_or(began_s)
    }
}

/// A stretch that has ended.
struct Earlier {
    analysis: Analysis,
    radii_mm: [f64; 2],
    rotation_deg: Quantity,
}

/// One run of the command.
struct Session<'a> {
    arguments: &'a Follow,
    radius: Groove,
    job: Job,
    /// The same with a setup before and one after.
    pair: Job,
    terms: Vec<PhaseTerm>,
    calibration: Option<Calibration>,
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

impl Session<'_> {
    fn through(&self) -> Option<Through<'_>> {
        self.calibration.as_ref().map(|calibration| Through {
            calibration,
            leads_swapped: self.arguments.situation.leads_swapped,
        })
    }

    fn follow(&self, mut follower: Follower, queue: &Receiver<Message>) -> Result<Outcome, String> {
        let mut kept = self.arguments.keep(&follower)?;
        let mut unkept = Ok(());
        let mut view = View::new(self.arguments.writes_json());
        let mut shown = None;
        let mut course = Course::default();
        let ending = loop {
            match view.wait(queue)? {
                Message::Block(block) => {
                    // what is measured does not end with the file
                    if let Some(Err(message)) = kept.as_mut().map(|k| k.write(&block)) {
                        view.clear()?;
                        output::note(&message);
                        kept = None;
                        unkept = Err(message);
                    }
                    let step = follower.push(&block, self.through());
                    let new = follower.stretch() != course.stretch;
                    if step && (self.is_due(&mut shown) || new) {
                        let moment = follower.look(self.through());
                        self.go_on(&mut course, &moment, &follower);
                        let estimate = self.estimate(&moment, &course)?;
                        if !view.show(&estimate)? {
                            break Ending::Unread;
                        }
                        if self.reached(estimate.rotation_deg.or(estimate.cut_rotation_deg)) {
                            break Ending::Early;
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
        let to_the_end = recording.is_some();
        let Ended { last, before } = follower.end(recording).map_err(|e| e.to_string())?;
        let settled = |taken| settle(taken, &self.settings(), self.through(), &mut |_| ());
        let analysis = settled(last).map_err(|e| match &course.earlier {
            None => e.to_string(),
            Some(earlier) => format!(
                "{e}. That is of what played after the last pause; before it there was {}",
                text::quantity(&earlier.rotation_deg, "deg")
            ),
        })?;
        let (measurement, radii_mm) = self.conclude(&analysis, &course, to_the_end)?;
        output::print(&match view {
            View::Json => json_line(&measurement)?,
            _ => {
                // what was before as carefully read as what is now
                let before = before.and_then(|taken| settled(taken).ok());
                if let (Some(earlier), Some(analysis)) = (&mut course.earlier, before) {
                    earlier.analysis = analysis;
                }
                let before = self.before(&course, Some((&analysis, radii_mm)));
                last_word(&measurement, before.as_ref(), output::width())
            }
        })?;
        unkept?;
        let angle = measurement.rotation_deg.or(measurement.cut_rotation_deg);
        Ok(if self.arguments.until.is_none() || self.reached(angle) {
            Outcome::Done
        } else {
            Outcome::LimitNotMet
        })
    }

    /// Whether a step is to be looked at. --until is judged at every step, so
    /// that the end does not depend on the clock.
    fn is_due(&self, shown: &mut Option<Instant>) -> bool {
        let all = self.arguments.all_updates || self.arguments.until.is_some();
        let now = Instant::now();
        let due = all || shown.is_none_or(|before| now - before >= SHOW_EVERY);
        if due {
            *shown = Some(now);
        }
        due
    }

    fn settings(&self) -> groovelag::delay::Settings {
        self.arguments.reading.settings()
    }

    fn reached(&self, angle: Option<Quantity>) -> bool {
        let wanted = self.arguments.until;
        angle
            .zip(wanted)
            .is_some_and(|(angle, wanted)| angle.standard_uncertainty <= wanted)
    }

    /// Radii at the start and end of a part, mm.
    fn radii(&self, start_s: f64, end_s: f64, began_s: f64) -> [f64; 2] {
        [start_s, end_s].map(|time| self.radius.at(time, began_s))
    }

    /// What an analysis of a stretch, or of a part of it, says of the rotation.
    fn measured_between(
        &self,
        analysis: &Analysis,
        radii_mm: [f64; 2],
        stretch: usize,
    ) -> Result<Measurement, String> {
        let mut job = self.job.clone();
        // in a pause the body may have been turned on purpose
        if stretch > 1 {
            for setup in job.setups.values_mut() {
                setup.alignment = Some(Alignment::Unknown);
            }
        }
        let range = Warning::RadiusOffTheRecord.range();
        job.captures[0].radius = radii_mm.map(in_metres);
        let wrong = radii_mm.iter().find(|mm| !range.contains(*mm));
        let off = wrong.map(|wrong| {
            Caveat::serious(
                Warning::RadiusOffTheRecord,
                format!(
                    "the pitch led to a radius of {wrong:.1} mm, where no record has a groove; correct --pitch or --radius"
                ),
            )
        });
        let coverage = self.arguments.common.coverage;
        let measured = job::measure(&job, analysis, &self.terms, coverage, off);
        Ok(measured.map_err(|e| e.to_string())?.measurement)
    }

    /// The last word: as `measure`, with the radii where the needle came to.
    fn conclude(
        &self,
        analysis: &Analysis,
        course: &Course,
        to_the_end: bool,
    ) -> Result<(Measurement, [f64; 2]), String> {
        let stated = self.arguments.place.radius;
        let (start_s, end_s) = analysis.estimate.span_s;
        let whole = to_the_end && course.stretch <= 1 && self.radius.mm_per_s.is_none();
        let radii_mm = match whole {
            true => [stated.start_mm, stated.end_mm],
            false => self.radii(start_s, end_s, course.lowered(start_s)),
        };
        let measured = self.measured_between(analysis, radii_mm, course.stretch)?;
        Ok((measured, radii_mm))
    }

    /// Takes note of a stretch that has begun.
    fn go_on(&self, course: &mut Course, moment: &Moment, follower: &Follower) {
        if course.stretch == moment.stretch {
            return;
        }
        course.stretch = moment.stretch;
        let Some(analysis) = follower.before(self.through()) else {
            return;
        };
        let (start_s, end_s) = analysis.estimate.span_s;
        let lowered_s = course.lowered(start_s);
        let radii_mm = self.radii(start_s, end_s, lowered_s);
        let lifted = self.radius.end.is_none() && moment.from_s - end_s > GAP_S;
        course.lowered_s = (!lifted).then_some(lowered_s);
        // a ball cannot see a turn
        let measured = self
            .measured_between(&analysis, radii_mm, moment.stretch - 1)
            .ok();
        let rotation = measured.and_then(|m| m.rotation_deg);
        course.earlier = rotation.map(|rotation_deg| Earlier {
            analysis,
            radii_mm,
            rotation_deg,
        });
    }

    /// What was before, and the change to what is now, played between these radii.
    fn before(&self, course: &Course, now: Option<(&Analysis, [f64; 2])>) -> Option<Before> {
        let earlier = course.earlier.as_ref()?;
        let (start_s, end_s) = earlier.analysis.estimate.span_s;
        Some(Before {
            span_s: [start_s, end_s],
            rotation_deg: earlier.rotation_deg,
            change_deg: now.and_then(|(analysis, radii_mm)| {
                let pair = [(&earlier.analysis, earlier.radii_mm), (analysis, radii_mm)];
                self.change(pair).ok()
            }),
        })
    }

    /// The rotation after minus the rotation before, from both together.
    fn change(&self, pair: [(&Analysis, [f64; 2]); 2]) -> Result<Quantity, JobError> {
        let mut job = self.pair.clone();
        let mut data = Vec::new();
        for ((analysis, radii_mm), capture) in pair.into_iter().zip(&mut job.captures) {
            capture.radius = radii_mm.map(in_metres);
            // two parts of one recording
            data.push(Some(CaptureData {
                sha256: None,
                ..CaptureData::of(analysis).with_priors(&self.terms)
            }));
        }
        let solved = job::solve(&job, &data, self.arguments.common.coverage)?;
        Ok(job::compare(&job, &solved, BEFORE, AFTER)?.change_deg)
    }

    /// The document of one moment.
    fn estimate(&self, moment: &Moment, course: &Course) -> Result<Estimate, String> {
        let so_far = moment.so_far.as_ref().ok();
        let began_s = course.lowered(so_far.map_or(0.0, |a| a.estimate.span_s.0));
        let mut health = moment.health.clone();
        // what does not settle now may do so later
        let all = so_far.and_then(|analysis| {
            let (start_s, end_s) = analysis.estimate.span_s;
            let radii_mm = self.radii(start_s, end_s, began_s);
            self.measured_between(analysis, radii_mm, course.stretch)
                .map_err(|e| health.push(Caveat::serious(Warning::NoEstimate, e)))
                .ok()
        });
        let recent = moment.recent.as_ref().and_then(|r| r.as_ref().ok());
        let recent = recent
            .filter(|_| all.is_some())
            .map(|analysis| -> Result<Recent, String> {
                let coverage = self.arguments.common.coverage;
                let estimate = &analysis.estimate;
                let mut job = self.job.clone();
                let (start_s, end_s) = estimate.span_s;
                job.captures[0].radius = self.radii(start_s, end_s, began_s).map(in_metres);
                let data = [Some(CaptureData::of(analysis).with_priors(&self.terms))];
                let read =
                    |turned| job::reading(&job, &data, turned, coverage).map_err(|e| e.to_string());
                // A ball cannot see its own rotation.
                let of_cut = all.as_ref().is_some_and(|m| m.cut_rotation_deg.is_some());
                let (rotation_deg, cut_rotation_deg) = match of_cut {
                    false => (read(Turned::Stylus(""))?, None),
                    true => (None, read(Turned::Cut(""))?),
                };
                let (delay, u) = (estimate.delay_s, estimate.standard_uncertainty_s);
                Ok(Recent {
                    span_s: [start_s, end_s],
                    delay_us: Quantity::normal(delay, u, coverage).scaled(MICROSECOND.recip()),
                    rotation_deg,
                    cut_rotation_deg,
                })
            })
            .transpose()?;
        let end_s = so_far.map_or(0.0, |a| a.estimate.span_s.1);
        let now = so_far.filter(|_| all.is_some()).map(|analysis| {
            let (start_s, end_s) = analysis.estimate.span_s;
            (analysis, self.radii(start_s, end_s, began_s))
        });
        if let Some(all) = &all {
            let known: Vec<Warning> = health.iter().map(|c| c.code).collect();
            let new = |c: &&Caveat| c.level == Level::Serious && !known.contains(&c.code);
            health.extend(all.warnings.iter().filter(new).cloned());
        }
        Ok(Estimate {
            schema: Estimate::SCHEMA.to_owned(),
            program: Program::this(),
            stream_s: moment.stream_s,
            stretch: moment.stretch,
            before: self.before(course, now),
            programme_s: moment.programme_s,
            radius_mm: self.radius.at(end_s, began_s),
            delay_us: all.as_ref().map(|m| m.delay_us),
            rotation_deg: all.as_ref().and_then(|m| m.rotation_deg),
            cut_rotation_deg: all.as_ref().and_then(|m| m.cut_rotation_deg),
            direction: all
                .as_ref()
                .map_or(Direction::NoneResolved, |m| m.direction),
            recent,
            signal: moment.signal,
            health,
            outlook: all.as_ref().map(|m| {
                let (noise, rest) = noise_and_rest(m);
                outlook(noise, rest, moment.programme_s, self.arguments.until)
            }),
        })
    }
}

/// A radius within reason, metres.
fn in_metres(mm: f64) -> f64 {
    let (least, most) = Warning::RadiusOffTheRecord.range().into_inner();
    mm.clamp(least, most) * MILLIMETRE
}

/// The budget's part of noise, and the rest of it, degrees.
fn noise_and_rest(measurement: &Measurement) -> (f64, f64) {
    let sum = |of_noise: bool| {
        let lines = measurement.budget.iter();
        lines
            .filter(|line| (line.source == job::READINGS) == of_noise)
            .map(|line| line.standard_uncertainty.powi(2))
            .sum::<f64>()
            .sqrt()
    };
    (sum(true), sum(false))
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
    fn show(&mut self, estimate: &Estimate) -> Result<bool, String> {
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
    "Waiting for samples (Ctrl-C ends)\n".to_owned()
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
