//! The job that the page keeps: written as an ordinary job file, and read back from it.

use crate::groove::Profile;
use crate::job::{self, Alignment, ArmOf, CaptureSpec, DelaySource, Job, PLANNED_COVERAGE, Wanted};
use crate::report::start::{AnyArm, ArmDimensions, TURN_DEG, TipAnswer};
use crate::report::start::{arm_text, number, other_speed, radius, remark, rpm, speed, tip_text};
use crate::units::{DEGREE, MICROMETRE, MILLIMETRE};
use std::fmt::Write as _;

/// Names in the job file.
const MINE: &str = "mine";
const BALL: &str = "ball";
const FOUND: &str = "found";
const AFTER: &str = "after";
const SIDE: &str = "mono";
const OTHER_SIDE: &str = "other-side";

/// What is played, and the recordings made of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// The tip.
    pub tip: TipAnswer,
    /// Speed of the first recording, revolutions per minute.
    pub rpm: f64,
    /// Radius at the start and the end of the part played, mm.
    pub radius_mm: [f64; 2],
    /// The arm.
    pub arm: AnyArm,
    /// How the cartridge body was aligned.
    pub aligned: Alignment,
    /// Tolerance, degrees.
    pub tolerance_deg: Option<f64>,
    /// The recordings, in the order in which they were made.
    pub takes: Vec<Take>,
}

/// One recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Take {
    /// Its file, beside the job.
    pub file: String,
    /// Turns made on purpose before it: 0 is as found; `None` is the other cartridge, whose
    /// tip is spherical.
    pub turns: Option<usize>,
    /// Another side of a record.
    pub other_side: bool,
    /// The other speed.
    pub other_speed: bool,
    /// Leads swapped at the cartridge.
    pub swapped: bool,
    /// Known turn for this recording alone, degrees, clockwise positive.
    pub turn_deg: f64,
}

/// What a recording differs in from the one before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Everything as found: the first.
    Found,
    /// Once more after a turn that stays.
    After,
    /// The other speed.
    Speed,
    /// Leads swapped.
    Swapped,
    /// Turned by a known angle for this recording alone, clockwise.
    TurnedOn,
    /// The same anticlockwise.
    TurnedBack,
    /// Another cartridge that has a spherical tip.
    Ball,
    /// Another side of a record.
    Side,
    /// Once more, nothing changed.
    Again,
}

/// Headings of the list, and what a hand does for each.
impl Kind {
    /// All of them, in the order in which they disturb least.
    pub const ALL: [Self; 9] = [
        Self::Found,
        Self::After,
        Self::Speed,
        Self::Side,
        Self::TurnedOn,
        Self::TurnedBack,
        Self::Ball,
        Self::Swapped,
        Self::Again,
    ];

    /// How it is named in an address.
    pub fn key(self) -> &'static str {
        match self {
            Self::Found => "found",
            Self::After => "after",
            Self::Speed => "speed",
            Self::Swapped => "swapped",
            Self::TurnedOn => "turned-on",
            Self::TurnedBack => "turned-back",
            Self::Ball => "ball",
            Self::Side => "side",
            Self::Again => "again",
        }
    }

    /// The kind of this name.
    pub fn of(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.key() == key)
    }

    /// Whether the angle of a turn belongs to it.
    pub fn has_turn(self) -> bool {
        matches!(self, Self::TurnedOn | Self::TurnedBack)
    }

    /// Whether a hand goes to the cartridge for it.
    pub fn touches(self) -> bool {
        self.has_turn() || matches!(self, Self::Swapped | Self::Ball | Self::After)
    }
}

/// Degrees of a known turn where nothing else is said.
pub fn usual_turn() -> String {
    number(TURN_DEG)
}

impl Sheet {
    /// A sheet without recordings.
    pub fn new(tip: TipAnswer, rpm: f64, radius_mm: [f64; 2]) -> Self {
        Self {
            tip,
            rpm,
            radius_mm,
            arm: AnyArm::Unknown,
            aligned: Alignment::Eye,
            tolerance_deg: None,
            takes: Vec::new(),
        }
    }

    /// How often the cartridge was turned on purpose.
    pub fn turns(&self) -> usize {
        let takes = self.takes.iter().filter_map(|take| take.turns);
        takes.max().unwrap_or(0)
    }

    /// Whether the first recording, everything as found, is there.
    pub fn is_begun(&self) -> bool {
        self.takes.first().is_some_and(|take| self.is_base(take))
    }

    fn is_base(&self, take: &Take) -> bool {
        let plain = self.take(Kind::Found, "", 0.0);
        Take {
            file: String::new(),
            ..take.clone()
        } == plain
    }

    /// The recording of this kind; `turn_deg` without a sign.
    fn take(&self, kind: Kind, file: &str, turn_deg: f64) -> Take {
        let plain = Take {
            file: file.to_owned(),
            turns: Some(self.turns()),
            other_side: false,
            other_speed: false,
            swapped: false,
            turn_deg: 0.0,
        };
        match kind {
            Kind::Found => Take {
                turns: Some(0),
                ..plain
            },
            Kind::After => Take {
                turns: Some(self.turns() + 1),
                ..plain
            },
            Kind::Speed => Take {
                other_speed: true,
                ..plain
            },
            Kind::Swapped => Take {
                swapped: true,
                ..plain
            },
            Kind::TurnedOn => Take { turn_deg, ..plain },
            Kind::TurnedBack => Take {
                turn_deg: -turn_deg,
                ..plain
            },
            Kind::Ball => Take {
                turns: None,
                ..plain
            },
            Kind::Side => Take {
                other_side: true,
                ..plain
            },
            Kind::Again => plain,
        }
    }

    /// The same sheet with one recording more.
    #[must_use]
    pub fn with(&self, kind: Kind, file: &str, turn_deg: f64) -> Self {
        let mut sheet = self.clone();
        let take = self.take(kind, file, turn_deg);
        // the first one is what the others differ from
        let at = if self.is_base(&take) && !self.is_begun() {
            0
        } else {
            self.takes.len()
        };
        sheet.takes.insert(at, take);
        sheet
    }

    /// What a recording of this kind is called, without an ending.
    pub fn stem(&self, kind: Kind) -> String {
        let state = setup(Some(self.turns()));
        match kind {
            Kind::Found => FOUND.to_owned(),
            Kind::After => setup(Some(self.turns() + 1)),
            Kind::Speed => format!("{state}-other-speed"),
            Kind::Swapped => format!("{state}-swapped"),
            Kind::TurnedOn => format!("{state}-turned-on"),
            Kind::TurnedBack => format!("{state}-turned-back"),
            Kind::Ball => BALL.to_owned(),
            Kind::Side => format!("{state}-other-side"),
            Kind::Again => state,
        }
    }

    /// Whether a file has a name that the page gives to recordings.
    pub fn is_recording(name: &str) -> bool {
        let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
        [FOUND, AFTER, BALL].iter().any(|of| {
            stem.strip_prefix(of)
                .is_some_and(|rest| rest.is_empty() || rest.starts_with('-'))
        })
    }

    /// Whether a recording of this kind makes sense now.
    pub fn takes_next(&self, kind: Kind) -> bool {
        let spherical = matches!(self.tip, TipAnswer::Spherical(_));
        match kind {
            Kind::Found => !self.is_begun(),
            Kind::After | Kind::Ball | Kind::TurnedOn | Kind::TurnedBack => {
                self.is_begun() && !spherical
            }
            _ => self.is_begun(),
        }
    }

    /// What changes for it, in a few words.
    pub fn name(&self, kind: Kind) -> String {
        match kind {
            Kind::Found => "Everything as found".to_owned(),
            Kind::After => "After turning the cartridge".to_owned(),
            Kind::Speed => format!("At {}", speed(other_speed(self.rpm))),
            Kind::Swapped => "Leads swapped at the cartridge".to_owned(),
            Kind::TurnedOn => {
                "For this recording alone, turned clockwise by a known angle".to_owned()
            }
            Kind::TurnedBack => {
                "For this recording alone, turned anticlockwise by a known angle".to_owned()
            }
            Kind::Ball => "Another cartridge, spherical tip".to_owned(),
            Kind::Side => "Another mono side, same radius".to_owned(),
            Kind::Again => "The same once more".to_owned(),
        }
    }

    /// How it is done.
    pub fn how(&self, kind: Kind) -> &'static str {
        match kind {
            Kind::Found => "Half a minute or more of a mono cut, both channels, no processing",
            Kind::After => {
                "The same grooves at the same level, once overhang and forces are set again"
            }
            Kind::Speed => "The same grooves, nothing else touched",
            Kind::Swapped => {
                "Hot and return of both channels exchanged at the pins; put them back afterwards"
            }
            Kind::TurnedOn => {
                "Front towards the spindle, the stylus staying where it is; put it back afterwards"
            }
            Kind::TurnedBack => {
                "Front away from the spindle, the stylus staying where it is; put it back afterwards"
            }
            Kind::Ball => {
                "The same grooves, leads and inputs; it tells how straight the record was cut. On a second headshell, so that this cartridge stays as it is; once it has been off, begin anew with everything as found"
            }
            Kind::Side => "Cut on another occasion if you can; the cartridge stays as it is",
            Kind::Again => "Lift the arm, lower it again, same grooves",
        }
    }

    /// Half of the predicted 95 % band of what is looked for, with these recordings.
    ///
    /// # Errors
    ///
    /// When such a job cannot be planned.
    pub fn half_band_deg(&self) -> Result<Option<f64>, String> {
        let job = job::file::parse(&self.text(), "the job").map_err(|e| e.to_string())?;
        let plan = job::plan(&job, Wanted::Steps(0)).map_err(|e| e.to_string())?;
        Ok(plan.half_band_deg(&setup(Some(self.turns()))))
    }

    /// The same with a recording of this kind more. A known turn is worth its while both ways,
    /// so each way counts for two while neither is there.
    ///
    /// # Errors
    ///
    /// When such a job cannot be planned.
    pub fn half_band_with(&self, kind: Kind) -> Result<Option<f64>, String> {
        let with = self.with(kind, "next.wav", TURN_DEG);
        let turned = self.takes.iter().any(|take| take.turn_deg != 0.0);
        let with = match kind {
            Kind::TurnedOn if !turned => with.with(Kind::TurnedBack, "next.wav", TURN_DEG),
            Kind::TurnedBack if !turned => with.with(Kind::TurnedOn, "next.wav", TURN_DEG),
            _ => with,
        };
        with.half_band_deg()
    }

    /// The coverage of the bands that are predicted, in percent.
    pub fn planned_percent() -> String {
        number(100.0 * PLANNED_COVERAGE)
    }

    /// The job file.
    pub fn text(&self) -> String {
        let mut out = remark(
            "Written by 'groovelag page', which keeps it up to date as long as nobody else changes it; once somebody has, the page leaves it as it is. Every other command reads it: groovelag solve job.toml.",
        );
        out += "\nformat = 1\ntitle = \"Stylus rotation\"\n\n[cartridge.mine]\n";
        out += &tip_text(self.tip);
        let any = |what: fn(&Take) -> bool| self.takes.iter().any(what);
        let ball = any(|take| take.turns.is_none());
        if ball {
            out += "\n[cartridge.ball]\nprofile = \"spherical\"\n";
        }
        out += "\n[record.mono]\n";
        if any(|take| take.other_side) {
            out += "\n[record.other-side]\n";
        }
        out += "\n[chain.mine]\n";
        let (arm, of_arm) = arm_text(self.arm);
        out += &arm;
        for turns in 0..=self.turns() {
            let name = setup(Some(turns));
            let _ = write!(out, "\n[setup.{name}]\ncartridge = \"mine\"\n{of_arm}");
            // a body that was turned on purpose is aligned no longer
            if turns == 0 && self.aligned != Alignment::Eye {
                let _ = writeln!(out, "aligned = \"{}\"", self.aligned.word());
            }
        }
        if ball {
            let _ = write!(out, "\n[setup.ball]\ncartridge = \"ball\"\n{of_arm}");
        }
        if let Some(tolerance) = self.tolerance_deg {
            let _ = write!(out, "\n[limits]\ntolerance_deg = {}\n", number(tolerance));
        }
        if !self.is_begun() {
            out += &self.capture_text("planned = true", &self.take(Kind::Found, "", 0.0));
        }
        for take in &self.takes {
            out += &self.capture_text(&format!("file = \"{}\"", take.file), take);
        }
        out
    }

    fn capture_text(&self, source: &str, take: &Take) -> String {
        let mut out = format!(
            "\n[[capture]]\n{source}\nsetup = \"{}\"\nrecord = \"{}\"\nchain = \"mine\"\nradius_mm = {}\nrpm = {}\n",
            setup(take.turns),
            if take.other_side { OTHER_SIDE } else { SIDE },
            radius(self.radius_mm),
            rpm(if take.other_speed {
                other_speed(self.rpm)
            } else {
                self.rpm
            }),
        );
        if take.swapped {
            out += "leads = \"swapped\"\n";
        }
        if take.turn_deg != 0.0 {
            let _ = writeln!(out, "turn_deg = {}", number(take.turn_deg));
        }
        out
    }

    /// The sheet of a job file, if the page wrote it and nobody has changed it since: then,
    /// and only then, it is written again as it stands.
    pub fn read(text: &str, job: &Job) -> Option<Self> {
        let sheet = Self::of(job)?;
        (sheet.text() == text).then_some(sheet)
    }

    fn of(job: &Job) -> Option<Self> {
        let cartridge = job.cartridges.get(MINE)?;
        let found = job.setups.get(FOUND)?;
        let base = job.captures.first()?;
        let um = |size: job::Stated| size.value.map(|v| v / MICROMETRE);
        let both = |a, b| um(a).zip(um(b));
        let tip = match cartridge.profile {
            None => TipAnswer::Unknown,
            Some(Profile::Spherical) => TipAnswer::Spherical(um(cartridge.frontal_radius)),
            Some(Profile::Elliptical) => {
                TipAnswer::Elliptical(both(cartridge.frontal_radius, cartridge.side_radius))
            }
            Some(Profile::Line) => {
                TipAnswer::Line(both(cartridge.contact_spacing, cartridge.side_radius))
            }
        };
        let arm = match &found.arm {
            ArmOf::Unknown => AnyArm::Unknown,
            ArmOf::Tangential => AnyArm::Tangential,
            ArmOf::NullRadius => AnyArm::NullRadius,
            ArmOf::Pivoted(name) => {
                let arm = job.arms.get(name)?;
                AnyArm::Pivoted(ArmDimensions {
                    effective_length_mm: arm.effective_length.value? / MILLIMETRE,
                    pivot_to_spindle_mm: arm.pivot_to_spindle.value? / MILLIMETRE,
                    offset_deg: arm.offset.value? / DEGREE,
                })
            }
        };
        let mut sheet = Self {
            arm,
            aligned: found.alignment.unwrap_or(Alignment::Eye),
            tolerance_deg: job.limits.tolerance.map(|t| t / DEGREE),
            ..Self::new(tip, base.nominal_rpm(), base.radius.map(|r| r / MILLIMETRE))
        };
        for capture in &job.captures {
            if let DelaySource::File(file) = &capture.source {
                let take = sheet.take_of(capture, file.to_str()?)?;
                sheet.takes.push(take);
            }
        }
        Some(sheet)
    }

    fn take_of(&self, capture: &CaptureSpec, file: &str) -> Option<Take> {
        let turns = match capture.setup.as_str() {
            FOUND => Some(0),
            BALL => None,
            AFTER => Some(1),
            other => Some(other.strip_prefix("after-")?.parse().ok()?),
        };
        Some(Take {
            file: file.to_owned(),
            turns,
            other_side: capture.record == OTHER_SIDE,
            other_speed: (capture.nominal_rpm() - self.rpm).abs() > 1e-6,
            swapped: capture.swapped,
            turn_deg: capture.turn.value.map_or(0.0, |turn| turn / DEGREE),
        })
    }
}

/// The setup after so many turns.
fn setup(turns: Option<usize>) -> String {
    match turns {
        None => BALL.to_owned(),
        Some(0) => FOUND.to_owned(),
        Some(1) => AFTER.to_owned(),
        Some(n) => format!("{AFTER}-{n}"),
    }
}

/// What the setup is called at the turntable.
pub(super) fn called(name: &str) -> String {
    match name {
        FOUND => "As found".to_owned(),
        AFTER => "After the turn".to_owned(),
        other => match other.strip_prefix("after-") {
            Some(n) => format!("After turn {n}"),
            None => format!("Setup {other}"),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheets() -> Vec<Sheet> {
        let arm = AnyArm::Pivoted(ArmDimensions {
            effective_length_mm: 229.3,
            pivot_to_spindle_mm: 211.1,
            offset_deg: 23.95,
        });
        let plain = Sheet::new(
            TipAnswer::Elliptical(Some((17.78, 7.62))),
            100.0 / 3.0,
            [72.4, 70.0],
        );
        let full = Kind::ALL.into_iter().fold(
            Sheet {
                arm,
                aligned: Alignment::Gauge,
                tolerance_deg: Some(2.5),
                ..plain.clone()
            },
            |sheet, kind| sheet.with(kind, &format!("{}.wav", sheet.stem(kind)), 3.5),
        );
        let twice = full
            .with(Kind::After, "after-2.wav", 0.0)
            .with(Kind::Speed, "x.flac", 0.0);
        let ball_first =
            Sheet::new(TipAnswer::Unknown, 45.0, [60.0; 2]).with(Kind::Ball, "b.wav", 0.0);
        let begun = ball_first.with(Kind::Found, "f.wav", 0.0);
        let line = Sheet::new(TipAnswer::Line(None), 78.26, [110.0; 2]);
        let arms = [AnyArm::Tangential, AnyArm::NullRadius].map(|arm| Sheet {
            arm,
            ..line.clone()
        });
        let ball = Sheet::new(TipAnswer::Spherical(Some(18.0)), 45.0, [60.0; 2]);
        let mut all = vec![plain, full, twice, ball_first, begun, line, ball];
        all.extend(arms);
        all
    }

    #[test]
    fn what_is_written_is_read_back() {
        for sheet in sheets() {
            let text = sheet.text();
            let job = job::file::parse(&text, "job.toml").unwrap();
            let read = Sheet::read(&text, &job).expect(&text);
            assert_eq!(read.text(), text);
            assert_eq!(read.takes, sheet.takes, "{text}");
            // a change by hand is somebody else's work, even a remark
            let changed = text.clone() + "# mine now\n";
            assert_eq!(Sheet::read(&changed, &job), None);
            let other = text.replace("title = \"Stylus rotation\"", "title = \"Mine\"");
            let job = job::file::parse(&other, "job.toml").unwrap();
            assert_eq!(Sheet::read(&other, &job), None);
            // it can be planned, and a further recording never widens the band
            let now = sheet.half_band_deg().unwrap();
            for kind in Kind::ALL.into_iter().filter(|k| sheet.takes_next(*k)) {
                // after a turn it is about another setup
                if kind != Kind::After {
                    let then = sheet.half_band_with(kind).unwrap();
                    // equal but for the rounding of a covariance
                    assert!(
                        then.unwrap() <= now.unwrap() * (1.0 + 1e-6),
                        "{kind:?} {text}"
                    );
                }
            }
        }
    }

    #[test]
    fn the_first_one_is_what_the_others_differ_from() {
        let sheet = Sheet::new(TipAnswer::Unknown, 45.0, [60.0; 2]);
        let offered = |s: &Sheet| Kind::ALL.into_iter().filter(|k| s.takes_next(*k)).count();
        assert_eq!(offered(&sheet), 1);
        let sheet = sheet.with(Kind::Ball, "b.wav", 0.0);
        assert!(!sheet.is_begun());
        let sheet = sheet.with(Kind::Found, "f.wav", 0.0);
        assert!(sheet.is_begun() && sheet.takes[0].file == "f.wav");
        assert_eq!(offered(&sheet), Kind::ALL.len() - 1);
        for kind in Kind::ALL {
            assert_eq!(Kind::of(kind.key()), Some(kind));
        }
        // speeds and turns belong to the setup that there is now
        let turned = sheet
            .with(Kind::After, "a.wav", 0.0)
            .with(Kind::TurnedBack, "t.wav", 4.0);
        let last = turned.takes.last().unwrap();
        assert_eq!((last.turns, last.turn_deg), (Some(1), -4.0));
        assert!(turned.text().contains("rpm = 45\nturn_deg = -4\n"));
    }
}
