//! The job file and the recording checklist for somebody who begins.

use super::text::{DEFAULT_WIDTH, wrapped};
use crate::job::Alignment;
use crate::uncertainty::{plain, rounded_u};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;

/// The tip, as far as an owner knows it; sizes in micrometres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TipAnswer {
    /// Nothing known: a generic elliptical with a wide prior.
    Unknown,
    /// A ball, with its radius if known.
    Spherical(Option<f64>),
    /// An elliptical, with frontal and side radius if known.
    Elliptical(Option<(f64, f64)>),
    /// A line contact, with contact spacing and side radius if known.
    Line(Option<(f64, f64)>),
}

/// What is said of the arm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AnyArm {
    /// Nothing.
    Unknown,
    /// A tangential arm.
    Tangential,
    /// A pivoted arm at one of its null radii.
    NullRadius,
    /// A pivoted arm by its dimensions.
    Pivoted(ArmDimensions),
}

/// A pivoted arm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ArmDimensions {
    /// Pivot to stylus, mm.
    pub effective_length_mm: f64,
    /// Pivot to the spindle, mm.
    pub pivot_to_spindle_mm: f64,
    /// Offset angle, degrees.
    pub offset_deg: f64,
}

/// What can be recorded beside the first recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Further {
    /// The same band at the other speed.
    Speed,
    /// The same band with the leads swapped at the cartridge.
    Swapped,
    /// The same band with the cartridge turned by 4 degrees each way.
    Turned,
    /// The same band with another cartridge that has a spherical tip.
    Ball,
}

impl Further {
    /// All of them, in the order in which they disturb least.
    pub const ALL: [Self; 4] = [Self::Speed, Self::Swapped, Self::Turned, Self::Ball];

    /// What is typed for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Speed => "speed",
            Self::Swapped => "swapped",
            Self::Turned => "turned",
            Self::Ball => "ball",
        }
    }

    fn what(self) -> String {
        match self {
            Self::Speed => "the other speed too".to_owned(),
            Self::Swapped => "leads swapped at the cartridge".to_owned(),
            Self::Turned => format!("cartridge turned {} degrees each way", number(TURN_DEG)),
            Self::Ball => "another cartridge with a spherical tip".to_owned(),
        }
    }
}

/// What is typed for no further recording.
pub const NONE: &str = "none";

/// Sets of further recordings with half of the band that each makes, degrees, to choose from.
pub fn choices(bands: &[(Vec<Further>, f64)], coverage: f64) -> String {
    let mut out = format!(
        "Effect of further recordings on the {} % band, in degrees:\n",
        plain(100.0 * coverage, 0)
    );
    for (set, half) in bands {
        let names: Vec<&str> = set.iter().map(|further| further.name()).collect();
        let (names, what) = match set[..] {
            [] => (NONE.to_owned(), "the first recording alone".to_owned()),
            [one] => (one.name().to_owned(), one.what()),
            _ => (names.join(","), String::new()),
        };
        let half = format!("+-{}", rounded_u(*half));
        let line = format!("  {half:>8}  {names:<9} {what}");
        let _ = writeln!(out, "{}", line.trim_end());
    }
    out
}

/// What an owner knows and can do.
#[derive(Debug, Clone, PartialEq)]
pub struct Answers {
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
    /// Further recordings, each at most once.
    pub further: Vec<Further>,
}

/// What the plan says of the recordings together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanPrediction {
    /// Half of the band of the rotation, degrees.
    pub half_band_deg: f64,
    /// Its coverage.
    pub coverage: f64,
}

/// Degrees of the known turn each way: what `plan` tries, too.
pub(super) const TURN_DEG: f64 = 4.0;

/// One recording to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordingToMake {
    /// File to save it in.
    pub file: &'static str,
    /// What is done for it.
    pub what: String,
    setup: &'static str,
    rpm: f64,
    swapped: bool,
    turn_deg: f64,
}

impl Answers {
    /// The recordings in the order in which they disturb least.
    pub fn recordings(&self) -> Vec<RecordingToMake> {
        let first = RecordingToMake {
            file: "found.wav",
            what: format!("{}, everything as found", speed(self.rpm)),
            setup: "found",
            rpm: self.rpm,
            swapped: false,
            turn_deg: 0.0,
        };
        let mut all = vec![first.clone()];
        let mut further = self.further.clone();
        further.sort_unstable();
        further.dedup();
        for kind in further {
            match kind {
                Further::Speed => {
                    let rpm = other_speed(self.rpm);
                    all.push(RecordingToMake {
                        file: "found-other-speed.wav",
                        what: format!("{}, nothing else changed", speed(rpm)),
                        rpm,
                        ..first.clone()
                    });
                }
                Further::Swapped => all.push(RecordingToMake {
                    file: "found-swapped.wav",
                    what: format!(
                        "{}, left and right leads exchanged at the cartridge's pins (hot and return of both); put them back afterwards",
                        speed(self.rpm)
                    ),
                    swapped: true,
                    ..first.clone()
                }),
                Further::Turned => {
                    for (file, turn_deg, way) in [
                        ("turned-on.wav", TURN_DEG, "clockwise seen from above (front of the cartridge towards the spindle)"),
                        ("turned-back.wav", -TURN_DEG, "anticlockwise seen from above (front of the cartridge away from the spindle)"),
                    ] {
                        all.push(RecordingToMake {
                            file,
                            what: format!(
                                "{}, cartridge turned by {} degrees {way}, counted from where it was found; keep the stylus where it is. Put it back as found afterwards",
                                speed(self.rpm),
                                number(TURN_DEG)
                            ),
                            turn_deg,
                            ..first.clone()
                        });
                    }
                }
                Further::Ball => all.push(RecordingToMake {
                    file: "ball.wav",
                    what: format!(
                        "{}, the other cartridge with the spherical tip in place of yours, same leads and inputs. Put yours back as found afterwards: turns count from there, so if it may sit differently, record found.wav's grooves once more as a new setup",
                        speed(self.rpm)
                    ),
                    setup: "ball",
                    ..first.clone()
                }),
            }
        }
        all
    }
}

/// A number without superfluous digits.
pub(super) fn number(value: f64) -> String {
    let text = plain(value, 3);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The answers in words, so that a slip is seen at once.
pub fn understood(answers: &Answers) -> String {
    let pair = |(a, b): (f64, f64)| format!(" {} x {} um", number(a), number(b));
    let tip = match answers.tip {
        TipAnswer::Unknown => "a tip not known".to_owned(),
        TipAnswer::Spherical(size) => {
            let size = size.map_or_else(String::new, |r| format!(" {} um", number(r)));
            format!("a spherical tip{size}")
        }
        TipAnswer::Elliptical(sizes) => {
            format!("an elliptical tip{}", sizes.map_or_else(String::new, pair))
        }
        TipAnswer::Line(sizes) => format!("a line contact{}", sizes.map_or_else(String::new, pair)),
    };
    let radius = match answers.radius_mm {
        [start, end] if start == end => number(start),
        [start, end] => format!("{} to {}", number(start), number(end)),
    };
    let count = answers.recordings().len();
    format!(
        "{tip} at a radius of {radius} mm, {}; {count} recording{}",
        speed(answers.rpm),
        if count == 1 { "" } else { "s" }
    )
}

/// The other of the two speeds that records have.
pub(super) fn other_speed(rpm: f64) -> f64 {
    if rpm < 40.0 { 45.0 } else { 100.0 / 3.0 }
}

/// An arm's table in a job file, if it has one, and the line of the setups that it carries.
pub(super) fn arm_text(arm: AnyArm) -> (String, &'static str) {
    match arm {
        AnyArm::Unknown => (String::new(), ""),
        AnyArm::Tangential => (String::new(), "arm = \"tangential\"\n"),
        AnyArm::NullRadius => (String::new(), "arm = \"null-radius\"\n"),
        AnyArm::Pivoted(arm) => (
            format!(
                "\n[arm.mine]\neffective_length_mm = {}\npivot_to_spindle_mm = {}\noffset_deg = {}\n",
                number(arm.effective_length_mm),
                number(arm.pivot_to_spindle_mm),
                number(arm.offset_deg)
            ),
            "arm = \"mine\"\n",
        ),
    }
}

pub(super) fn speed(rpm: f64) -> String {
    if (rpm - 100.0 / 3.0).abs() < 1e-6 {
        "33 1/3 rpm".to_owned()
    } else {
        format!("{} rpm", number(rpm))
    }
}

/// What is expected, in words.
pub fn expected(tip: TipAnswer, prediction: Option<PlanPrediction>) -> String {
    match (tip, prediction) {
        (TipAnswer::Spherical(_), None) => "A spherical tip cannot see its own rotation: these recordings measure the rotation of the record's cut.".to_owned(),
        (TipAnswer::Spherical(_), Some(p)) => format!(
            "A spherical tip cannot see its own rotation. Expected from these recordings: the rotation of the record's cut to about +-{} degrees ({} % band).",
            rounded_u(p.half_band_deg),
            plain(100.0 * p.coverage, 0)
        ),
        (_, Some(p)) => format!(
            "Expected from these recordings: the rotation to about +-{} degrees ({} % band){}.",
            rounded_u(p.half_band_deg),
            plain(100.0 * p.coverage, 0),
            if tip == TipAnswer::Unknown {
                ", and up to twice as far on the side away from zero, since the tip is not known"
            } else {
                ""
            }
        ),
        (_, None) => String::new(),
    }
}

/// The job file, with remarks.
pub fn job_text(answers: &Answers, prediction: Option<PlanPrediction>) -> String {
    let mut out = remark(
        "Written by 'groovelag start'. Correct what you know better. Anything not stated takes a cautious default (docs/uncertainty.md). A quantity is a number, or { value = 18, u = 0.5 } with u its standard uncertainty. Predict with 'groovelag plan'; once the recordings are beside this file, solve with 'groovelag solve'.",
    );
    let expectation = expected(answers.tip, prediction);
    if !expectation.is_empty() {
        out += "#\n";
        out += &remark(&expectation);
    }
    out += "\nformat = 1\ntitle = \"Stylus rotation as found\"\n# operator = \"\"\n# date = 2026-01-31\n";
    out += "\n# The cartridge. Sizes of the tip in micrometres.\n[cartridge.mine]\n";
    out += &tip_text(answers.tip);
    out += "# crosstalk_db = -25         # channel separation as the maker has it, negative\n";
    let ball = answers.further.contains(&Further::Ball);
    if ball {
        out += "\n# The cartridge with the spherical tip, which measures the record's cut.\n[cartridge.ball]\nprofile = \"spherical\"\n# frontal_radius_um = 18\n";
    }
    out += "\n# One side of one record. Another side is another record.\n[record.mono]\n# label = \"\"                # free text\n# cut_rotation_deg = { value = 0, u = 0.1 }   # if the side has been qualified\n";
    out += "\n# Everything after the cartridge's pins: leads, phono stage, converter.\n[chain.mine]\n# calibration = \"CHAIN.toml\"                  # from 'groovelag calibrate'\n";
    let (arm, of_arm) = arm_text(answers.arm);
    out += &arm;
    if answers.arm == AnyArm::Unknown {
        out += "\n";
        out += &remark(
            "The arm is not stated, so its tracking error makes the turn less certain. Add [arm.mine] (effective_length_mm, pivot_to_spindle_mm, offset_deg) and arm = \"mine\" in the setup, or arm = \"tangential\", or arm = \"null-radius\" for a band at one of its null radii.",
        );
    }
    out += "\n# A setup is one state of alignment.\n";
    let aligned = match answers.aligned {
        Alignment::Eye => {
            "# aligned = \"gauge\"                          # if a gauge was used\n".to_owned()
        }
        stated => format!("aligned = \"{}\"\n", stated.word()),
    };
    let _ = write!(
        out,
        "[setup.found]\ncartridge = \"mine\"\n{of_arm}{aligned}"
    );
    if ball {
        let _ = write!(out, "\n[setup.ball]\ncartridge = \"ball\"\n{of_arm}");
    }
    out += "\n# To check the result against a tolerance, remove the two '#' below.\n# [limits]\n# tolerance_deg = 5\n";
    for recording in answers.recordings() {
        out += "\n";
        out += &remark(&recording.what);
        out += "[[capture]]\n";
        out += &capture_text(
            recording.file,
            recording.setup,
            answers.radius_mm,
            recording.rpm,
        );
        if recording.swapped {
            out += "leads = \"swapped\"\n";
        }
        if recording.turn_deg != 0.0 {
            let _ = writeln!(
                out,
                "turn_deg = {}    # as read on the protractor",
                number(recording.turn_deg)
            );
        }
    }
    if !matches!(answers.tip, TipAnswer::Spherical(_)) {
        out += &after_text(answers, of_arm);
    }
    let seal = seal(&out);
    out + "\n" + &seal
}

/// The last line of a job: it holds as long as nobody has changed the lines above.
fn seal(text: &str) -> String {
    let hash = Sha256::digest(text.as_bytes());
    // a change of hand that keeps 48 bits has a probability of 4e-15
    let hash = crate::units::hexadecimal(&hash[..6]);
    format!("# As written (groovelag start --force writes over no other): {hash}\n")
}

/// Whether a job is as [`job_text`] wrote it, with nothing changed by hand.
pub fn is_as_written(text: &str) -> bool {
    let end = text.rfind("\n# As written");
    end.is_some_and(|end| text[end + 1..] == seal(&text[..end]))
}

/// The setup after the turn, as remarks.
fn after_text(answers: &Answers, of_arm: &str) -> String {
    let mut out = String::from("\n");
    out += &remark(
        "After a turn, record the same grooves again under the name below, at the same level, and remove the '# ' from the lines below. All earlier recordings still count. 'groovelag compare' with this file, --before found --after after, then shows the change and what remains.",
    );
    let block = format!(
        "[setup.after]\ncartridge = \"mine\"\n{of_arm}\n[[capture]]\n{}",
        capture_text("after.wav", "after", answers.radius_mm, answers.rpm)
    );
    for line in block.lines() {
        let _ = writeln!(out, "{}", format!("# {line}").trim_end());
    }
    out
}

/// The lines of a capture that every one has.
fn capture_text(file: &str, setup: &str, radius_mm: [f64; 2], speed: f64) -> String {
    format!(
        "file = \"{file}\"\nsetup = \"{setup}\"\nrecord = \"mono\"\nchain = \"mine\"\nradius_mm = {}\nrpm = {}\n",
        radius(radius_mm),
        rpm(speed),
    )
}

pub(super) fn tip_text(tip: TipAnswer) -> String {
    // A size that is not stated stands there as a remark with its default.
    let sizes = |profile: &str, keys: [&str; 2], given: Option<(f64, f64)>, defaults: [f64; 2]| {
        let (mark, values) = match given {
            Some((a, b)) => ("", [a, b]),
            None => ("# ", defaults),
        };
        format!(
            "profile = \"{profile}\"\n{mark}{} = {}\n{mark}{} = {}\n",
            keys[0],
            number(values[0]),
            keys[1],
            number(values[1])
        )
    };
    match tip {
        TipAnswer::Unknown => "# profile = \"elliptical\"     # or \"line\", \"spherical\"; not known: a generic elliptical\n# frontal_radius_um = 18\n# side_radius_um = 8\n".to_owned(),
        TipAnswer::Spherical(Some(radius)) => format!(
            "profile = \"spherical\"\nfrontal_radius_um = {}\n",
            number(radius)
        ),
        TipAnswer::Spherical(None) => "profile = \"spherical\"\n# frontal_radius_um = 18\n".to_owned(),
        TipAnswer::Elliptical(given) => sizes(
            "elliptical",
            ["frontal_radius_um", "side_radius_um"],
            given,
            [18.0, 8.0],
        ),
        TipAnswer::Line(given) => sizes(
            "line",
            ["contact_spacing_um", "side_radius_um"],
            given,
            [45.0, 5.0],
        ),
    }
}

pub(super) fn radius([start, end]: [f64; 2]) -> String {
    if start == end {
        number(start)
    } else {
        format!("[{}, {}]", number(start), number(end))
    }
}

pub(super) fn rpm(value: f64) -> String {
    if (value - 100.0 / 3.0).abs() < 1e-6 {
        "33".to_owned()
    } else {
        number(value)
    }
}

pub(super) fn remark(text: &str) -> String {
    wrapped("", text, DEFAULT_WIDTH - 2)
        .lines()
        .map(|line| format!("# {line}\n"))
        .collect()
}

/// The checklist for these recordings, to print; `job` names the job file.
pub fn checklist_text(answers: &Answers, prediction: Option<PlanPrediction>, job: &str) -> String {
    let mut out = format!("Recording checklist for {job}\n");
    let mut section = |heading: &str, items: &[String]| {
        let _ = write!(out, "\n{heading}\n");
        for item in items {
            out += &wrapped("  [ ] ", item, DEFAULT_WIDTH - 2);
        }
    };
    let own = |items: &[&str]| items.iter().map(|i| (*i).to_owned()).collect::<Vec<_>>();
    let mut before = own(&[
        "Have the makers' instructions for cartridge, arm and phono stage at hand; where they differ from this list, they are right.",
        "Amplifier muted before you touch anything, and again before each change. Stylus guard on whenever the record does not play. No iron tools near the magnet. Mains and earth leads stay as they are.",
        "Tracking force and bias force as the maker says; stylus and record clean.",
        "Once, and after moving a lead, check left and right: amplifier muted, left lead unplugged at the phono stage, ten seconds recorded. The left channel is the empty one. Lead plugged in again.",
        "A true mono cut, wide-band and lively; no mono switch, no strapped pins.",
        "Both channels, 24 bit, 96 kHz, no processing, no lossy format. Peaks 6 to 12 dB below full scale; the same level for all recordings.",
    ]);
    before.push(format!(
        "The groove played is {} mm from the spindle's centre. Written down: ______ mm",
        match answers.radius_mm {
            [start, end] if start == end => number(start),
            [start, end] => format!("{} to {}", number(start), number(end)),
        }
    ));
    section("Before", &before);
    let recordings: Vec<String> = answers
        .recordings()
        .iter()
        .map(|r| format!("{}: {}", r.file, r.what))
        .collect();
    section(
        "Recordings, each half a minute or more of the same grooves",
        &recordings,
    );
    section(
        "Afterwards",
        &[
            format!("The files lie beside {job}, under the names above."),
            format!("groovelag solve {job}"),
            "Anything done differently, written down: ____________________".to_owned(),
        ],
    );
    if !matches!(answers.tip, TipAnswer::Spherical(_)) {
        section(
            "After a turn, if you make one",
            &[
                "after.wav: the same grooves, level and leads as found.wav.".to_owned(),
                format!(
                    "The '# ' removed from the lines under [setup.after] in {job}; groovelag compare {job} --before found --after after"
                ),
            ],
        );
    }
    let expectation = expected(answers.tip, prediction);
    if !expectation.is_empty() {
        out += "\n";
        out += &wrapped("", &expectation, DEFAULT_WIDTH - 2);
    }
    out
}
