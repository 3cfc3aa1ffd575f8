//! Follows a recording while it is made: takes blocks of samples, gives estimates.
//!
//! A [`Session`] opens no file, reads no clock and prints nothing, so that a terminal, a
//! page and a test use it in the same way. Blocks may have any length: steps are half a
//! second of samples, and what is found at a step does not depend on how the samples came.

mod estimate;

pub use estimate::{PreviousStretch, RecentEstimate, StreamEstimate};

use crate::analysis::follow::{Follower, SignalLevel, StreamEnd, StreamState};
use crate::analysis::{Analysis, AnalysisError, ChainCorrection, refine};
use crate::capture::{Recording, Stereo};
use crate::chain::Calibration;
use crate::delay;
use crate::delay::phase::PhaseTerm;
use crate::document::Program;
use crate::job::{self, Alignment, CaptureData, Job, JobError, Measurement, RotationOf};
use crate::uncertainty::{
    Caveat, Direction, Level, Quantity, Warning, outlook, rounded, rounded_u,
};
use crate::units::{MICROSECOND, MILLIMETRE};
use thiserror::Error;

/// A pause longer than this, seconds, is taken for a lifted arm, lowered again at the radius
/// that was stated; a shorter one for the gap between two pieces, over which the groove
/// goes on (common practice, no source: gaps last 2 to 5 s, a turn with guard and screws far
/// longer).
pub const GAP_S: f64 = 10.0;

/// Settings of a session.
#[derive(Debug, Clone)]
pub struct SessionSettings {
    /// Radius where the needle was lowered and where it is lifted, mm.
    pub radius_mm: [f64; 2],
    /// Groove pitch, mm per revolution, positive inwards, in place of the second radius.
    pub pitch_mm: Option<f64>,
    /// Calibration of the chain.
    pub calibration: Option<Calibration>,
    /// How the delay is estimated.
    pub delay: delay::EstimateSettings,
    /// Coverage of the bands.
    pub coverage: f64,
    /// Standard uncertainty wanted, degrees.
    pub wanted_deg: Option<f64>,
}

/// Why a session cannot begin, or has no result.
#[derive(Debug, Error)]
pub enum SessionError {
    /// The recording has no result.
    #[error(transparent)]
    Analysis(#[from] AnalysisError),
    /// The job has none.
    #[error(transparent)]
    Job(#[from] JobError),
    /// The last stretch has no result, but the one before has.
    #[error(
        "{error}. This refers to what played after the last pause; before it the result was {} deg, u {} deg",
        rounded(before.value, before.standard_uncertainty),
        rounded_u(before.standard_uncertainty)
    )]
    AfterPause {
        /// The reason.
        error: AnalysisError,
        /// The rotation before the pause, degrees.
        before: Box<Quantity>,
    },
    /// The radius at a moment is not known.
    #[error(
        "start and end radii need a known length, which this stream does not have; give the start with --radius and the groove pitch with --pitch"
    )]
    UnknownLength,
}

/// Radius of the stylus over time, from the stated start, end or pitch.
#[derive(Debug, Clone, Copy)]
struct GroovePosition {
    start_mm: f64,
    /// Change with time, mm/s, where the pitch tells.
    mm_per_s: Option<f64>,
    /// Radius and time of the end, where the length is known.
    end: Option<(f64, f64)>,
}

impl GroovePosition {
    fn new(
        settings: &SessionSettings,
        rpm: f64,
        length_s: Option<f64>,
    ) -> Result<Self, SessionError> {
        let [start_mm, end_mm] = settings.radius_mm;
        let moves = start_mm != end_mm && settings.pitch_mm.is_none();
        if moves && length_s.is_none() {
            return Err(SessionError::UnknownLength);
        }
        Ok(Self {
            start_mm,
            mm_per_s: settings.pitch_mm.map(|p| -p * rpm / 60.0),
            end: length_s.filter(|_| moves).map(|s| (end_mm, s)),
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

    /// Radii at the start and end of a part, mm.
    fn between(&self, [start_s, end_s]: [f64; 2], began_s: f64) -> [f64; 2] {
        [start_s, end_s].map(|time| self.at(time, began_s))
    }
}

/// Setups of the job of two stretches.
const BEFORE: &str = "before";
const AFTER: &str = "after";

/// The stretches so far.
#[derive(Default)]
struct StretchHistory {
    /// Number of the stretch that plays.
    stretch: usize,
    /// Time at which programme began at the stated radius, seconds, if before this stretch.
    lowered_s: Option<f64>,
    /// The stretch before.
    previous: Option<EndedStretch>,
}

impl StretchHistory {
    /// When programme began at the radius stated, for a stretch that began at `began_s`.
    fn lowered(&self, began_s: f64) -> f64 {
        self.lowered_s.unwrap_or(began_s)
    }
}

/// A stretch that has ended.
struct EndedStretch {
    analysis: Analysis,
    radii_mm: [f64; 2],
    rotation_deg: Quantity,
}

/// Final result of a session.
#[derive(Debug)]
pub struct SessionResult {
    /// Result of [`job::measure`] for the whole recording, or for its last stretch.
    pub measurement: Measurement,
    /// The stretch before the last pause.
    pub before: Option<PreviousStretch>,
}

/// One recording while it is made, as the only capture of a job.
pub struct Session {
    known: SessionState,
    follower: Follower,
    /// Samples that came, and how many of them have been taken in.
    waiting: Stereo,
    taken: usize,
}

/// Settings and stretches of the recording.
struct SessionState {
    settings: SessionSettings,
    job: Job,
    /// The same with a setup before and one after.
    pair: Job,
    terms: Vec<PhaseTerm>,
    groove: GroovePosition,
    history: StretchHistory,
}

impl Session {
    /// Begins with a recording of which nothing has been read.
    ///
    /// # Errors
    ///
    /// When the sample rate is out of range, the job has not exactly one capture, or the radius
    /// moves in a way that cannot be followed.
    pub fn new(
        recording: &Recording,
        job: Job,
        settings: SessionSettings,
    ) -> Result<Self, SessionError> {
        Self::with(
            Follower::new(recording, settings.delay.clone())?,
            job,
            settings,
        )
    }

    /// Begins with samples to come, which have no file; `name` is for messages. Nothing is kept
    /// for a second reading.
    ///
    /// # Errors
    ///
    /// As [`Self::new`].
    pub fn live(
        name: &str,
        sample_rate_hz: u32,
        job: Job,
        settings: SessionSettings,
    ) -> Result<Self, SessionError> {
        let follower = Follower::live(name, sample_rate_hz, settings.delay.clone())?;
        Self::with(follower, job, settings)
    }

    fn with(
        follower: Follower,
        mut job: Job,
        settings: SessionSettings,
    ) -> Result<Self, SessionError> {
        let [capture] = &job.captures[..] else {
            let captures = job.captures.len();
            return Err(JobError::DataCount { captures, data: 1 }.into());
        };
        let groove = GroovePosition::new(&settings, capture.nominal_rpm(), follower.length_s())?;
        let capture = capture.clone();
        let terms = settings
            .calibration
            .as_ref()
            .map_or_else(Vec::new, |calibration| {
                job::replace_priors(
                    &mut job,
                    &[(capture.chain.clone(), calibration.clone())].into(),
                );
                calibration.prior_changes().terms
            });
        let setup = job.setups.get(&capture.setup).cloned().unwrap_or_default();
        // a later setup was turned on purpose
        let turned = job::Setup {
            alignment: None,
            ..setup.clone()
        };
        let pair = Job {
            setups: [(BEFORE.to_owned(), setup), (AFTER.to_owned(), turned)].into(),
            captures: [BEFORE, AFTER]
                .map(|setup| job::CaptureSpec {
                    setup: setup.to_owned(),
                    ..capture.clone()
                })
                .into(),
            ..job.clone()
        };
        let known = SessionState {
            settings,
            job,
            pair,
            terms,
            groove,
            history: StretchHistory::default(),
        };
        Ok(Self {
            known,
            follower,
            waiting: Stereo::default(),
            taken: 0,
        })
    }

    /// Sample rate, hertz.
    pub fn sample_rate_hz(&self) -> u32 {
        self.follower.sample_rate_hz()
    }

    /// Valid bits of integer samples, see [`Recording::bits`].
    pub fn bits(&self) -> Option<u16> {
        self.follower.bits()
    }

    /// Whether the programme pauses, as with a lifted arm.
    pub fn pauses(&self) -> bool {
        self.follower.pauses()
    }

    /// Which stretch plays, or has paused: from 1, one more after each pause.
    pub fn stretch(&self) -> usize {
        self.follower.stretch()
    }

    /// Hands over the samples that came; [`Self::step`] takes them in.
    pub fn push(&mut self, block: &Stereo) {
        for (waiting, came) in [
            (&mut self.waiting.left, &block.left),
            (&mut self.waiting.right, &block.right),
        ] {
            waiting.drain(..self.taken);
            waiting.extend_from_slice(came);
        }
        self.taken = 0;
    }

    /// Processes samples up to the end of the next step; false when more are needed first.
    pub fn step(&mut self) -> bool {
        let there = self.waiting.left.len() - self.taken;
        let wanted = self.follower.to_next_step();
        let end = self.taken + wanted.min(there);
        let part = self.taken..end;
        self.taken = end;
        if part.is_empty() {
            return false;
        }
        let block = Stereo {
            left: self.waiting.left[part.clone()].to_vec(),
            right: self.waiting.right[part].to_vec(),
        };
        let done = self.follower.push(&block, self.known.through());
        self.known.begin_stretch(&self.follower);
        done
    }

    /// Whether an angle has the wanted uncertainty.
    pub fn reached(&self, angle: Option<Quantity>) -> bool {
        angle
            .zip(self.known.settings.wanted_deg)
            .is_some_and(|(angle, wanted)| angle.standard_uncertainty <= wanted)
    }

    /// Level in the latest half second.
    pub fn signal(&self) -> SignalLevel {
        self.follower.signal()
    }

    /// The present estimate; optional at every step.
    ///
    /// # Errors
    ///
    /// When the job cannot be solved.
    pub fn look(&mut self) -> Result<StreamEstimate, JobError> {
        let moment = self.follower.look(self.known.through(), true);
        self.known.estimate(&moment)
    }

    /// The present estimate without that of the latest seconds, for half of the work.
    ///
    /// # Errors
    ///
    /// As [`Self::look`].
    pub fn so_far(&mut self) -> Result<StreamEstimate, JobError> {
        let moment = self.follower.look(self.known.through(), false);
        self.known.estimate(&moment)
    }

    /// Ends with the recording as it is at its end, or, of one that was broken off, with
    /// `None`: as [`job::measure`], with the radii where the needle came to.
    ///
    /// # Errors
    ///
    /// When what played last has no result.
    pub fn end(mut self, recording: Option<Recording>) -> Result<SessionResult, SessionError> {
        while self.step() {}
        let to_the_end = recording.is_some();
        let Self {
            mut known,
            follower,
            ..
        } = self;
        let StreamEnd { last, before } = follower.end(recording)?;
        let delay = known.settings.delay.clone();
        let refined = |taken| refine(taken, &delay, known.through(), &mut |_| ());
        // what was before as carefully read as what is now
        let (last, before) = (refined(last), before.and_then(|taken| refined(taken).ok()));
        let analysis = last.map_err(|error| match &known.history.previous {
            None => error.into(),
            Some(earlier) => SessionError::AfterPause {
                error,
                before: Box::new(earlier.rotation_deg),
            },
        })?;
        if let (Some(earlier), Some(analysis)) = (&mut known.history.previous, before) {
            earlier.analysis = analysis;
        }
        let span_s = <[f64; 2]>::from(analysis.estimate.span_s);
        let course = &known.history;
        let radii_mm = known.groove.between(span_s, course.lowered(span_s[0]));
        let whole = to_the_end && course.stretch <= 1 && known.groove.mm_per_s.is_none();
        let moved = (!whole).then_some(radii_mm);
        let measurement = known.measured_between(&analysis, moved, course.stretch)?;
        let before = known.before(Some((&analysis, radii_mm)));
        Ok(SessionResult {
            measurement,
            before,
        })
    }
}

impl SessionState {
    fn through(&self) -> Option<ChainCorrection<'_>> {
        let calibration = self.settings.calibration.as_ref()?;
        Some(ChainCorrection {
            calibration,
            leads_swapped: self.job.captures[0].swapped,
        })
    }

    /// What an analysis of a stretch, or of a part of it, says of the rotation; without radii
    /// those that the job states.
    fn measured_between(
        &self,
        analysis: &Analysis,
        radii_mm: Option<[f64; 2]>,
        stretch: usize,
    ) -> Result<Measurement, JobError> {
        let mut job = self.job.clone();
        // in a pause the body may have been turned on purpose
        if stretch > 1 {
            for setup in job.setups.values_mut() {
                setup.alignment = Some(Alignment::Unknown);
            }
        }
        let range = Warning::RadiusOffTheRecord.range();
        let wrong = radii_mm.and_then(|radii| radii.into_iter().find(|mm| !range.contains(mm)));
        if let Some(radii_mm) = radii_mm {
            job.captures[0].radius = radii_mm.map(in_metres);
        }
        let off = wrong.map(|wrong| {
            Caveat::serious(
                Warning::RadiusOffTheRecord,
                format!(
                    "the pitch leads to a radius of {wrong:.1} mm, where no record has a groove; correct --pitch or --radius"
                ),
            )
        });
        let measured = job::measure(&job, analysis, &self.terms, self.settings.coverage, off);
        Ok(measured?.measurement)
    }

    /// Records the end of a stretch, if another has begun.
    fn begin_stretch(&mut self, follower: &Follower) {
        if follower.stretch() == self.history.stretch {
            return;
        }
        self.history.stretch = follower.stretch();
        let Some(analysis) = follower.before(self.through()) else {
            return;
        };
        let span_s = <[f64; 2]>::from(analysis.estimate.span_s);
        let lowered_s = self.history.lowered(span_s[0]);
        let radii_mm = self.groove.between(span_s, lowered_s);
        let lifted = self.groove.end.is_none() && follower.from_s() - span_s[1] > GAP_S;
        self.history.lowered_s = (!lifted).then_some(lowered_s);
        // a spherical tip is not sensitive to a turn
        let before = self.history.stretch - 1;
        let measured = self
            .measured_between(&analysis, Some(radii_mm), before)
            .ok();
        let rotation = measured.and_then(|m| m.rotation_deg);
        self.history.previous = rotation.map(|rotation_deg| EndedStretch {
            analysis,
            radii_mm,
            rotation_deg,
        });
    }

    /// What was before, and the change to what is now, played between these radii.
    fn before(&self, now: Option<(&Analysis, [f64; 2])>) -> Option<PreviousStretch> {
        let earlier = self.history.previous.as_ref()?;
        Some(PreviousStretch {
            span_s: earlier.analysis.estimate.span_s.into(),
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
        let solved = job::solve(&job, &data, self.settings.coverage)?;
        Ok(job::compare(&job, &solved, BEFORE, AFTER)?.change_deg)
    }

    /// The document of one moment.
    fn estimate(&self, moment: &StreamState) -> Result<StreamEstimate, JobError> {
        let so_far = moment.so_far.as_ref().ok();
        let span_s = |analysis: &Analysis| <[f64; 2]>::from(analysis.estimate.span_s);
        let [began_s, end_s] = so_far.map_or([0.0; 2], span_s);
        let began_s = self.history.lowered(began_s);
        let radii = |analysis: &Analysis| self.groove.between(span_s(analysis), began_s);
        let mut health = moment.health.clone();
        // an adjustment that does not converge now may do so later
        let now = so_far.map(|analysis| (analysis, radii(analysis)));
        let measured = now.and_then(|(analysis, radii_mm)| {
            self.measured_between(analysis, Some(radii_mm), self.history.stretch)
                .map_err(|e| health.push(Caveat::serious(Warning::NoEstimate, e.to_string())))
                .ok()
        });
        let now = now.filter(|_| measured.is_some());
        let recent = moment.recent.as_ref().and_then(|r| r.as_ref().ok());
        let recent = recent.zip(measured.as_ref()).map(|(analysis, measured)| {
            self.recent(
                analysis,
                radii(analysis),
                measured.cut_rotation_deg.is_some(),
            )
        });
        if let Some(all) = &measured {
            let known: Vec<Warning> = health.iter().map(|c| c.code).collect();
            let new = |c: &&Caveat| c.level == Level::Serious && !known.contains(&c.code);
            health.extend(all.warnings.iter().filter(new).cloned());
        }
        Ok(StreamEstimate {
            schema: StreamEstimate::SCHEMA.to_owned(),
            program: Program::this(),
            stream_s: moment.stream_s,
            stretch: moment.stretch,
            before: self.before(now),
            programme_s: moment.programme_s,
            radius_mm: self.groove.at(end_s, began_s),
            delay_us: measured.as_ref().map(|m| m.delay_us),
            rotation_deg: measured.as_ref().and_then(|m| m.rotation_deg),
            cut_rotation_deg: measured.as_ref().and_then(|m| m.cut_rotation_deg),
            direction: measured
                .as_ref()
                .map_or(Direction::NoneResolved, |m| m.direction),
            recent: recent.transpose()?,
            signal: moment.signal,
            health,
            outlook: measured.as_ref().map(|m| {
                let (noise, rest) = noise_and_rest(m);
                outlook(noise, rest, moment.programme_s, self.settings.wanted_deg)
            }),
        })
    }

    /// The latest seconds by themselves.
    fn recent(
        &self,
        analysis: &Analysis,
        radii_mm: [f64; 2],
        of_cut: bool,
    ) -> Result<RecentEstimate, JobError> {
        let coverage = self.settings.coverage;
        let estimate = &analysis.estimate;
        let mut job = self.job.clone();
        job.captures[0].radius = radii_mm.map(in_metres);
        let setup = &self.job.captures[0].setup;
        let record = &self.job.captures[0].record;
        let data = [Some(CaptureData::of(analysis).with_priors(&self.terms))];
        let read = |turned| job::reading(&job, &data, turned, coverage);
        // a spherical tip is not sensitive to its own rotation
        let (rotation_deg, cut_rotation_deg) = match of_cut {
            false => (read(RotationOf::Stylus(setup))?, None),
            true => (None, read(RotationOf::Cut(record))?),
        };
        let (delay, u) = (estimate.delay_s, estimate.standard_uncertainty_s);
        Ok(RecentEstimate {
            span_s: estimate.span_s.into(),
            delay_us: Quantity::normal(delay, u, coverage).scaled(MICROSECOND.recip()),
            rotation_deg,
            cut_rotation_deg,
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
