//! The page at the turntable: a job in words and numbers, for somebody who stands two metres
//! away. The page only lays them out.

mod live;
mod sheet;

pub use live::{Bar, Live};
pub use sheet::{Kind, Sheet, Take, usual_turn};

use super::instruction::Situation;
use super::sentence::{capitalised, spoken};
use super::start::{AnyArm, TipAnswer, number, radius, rpm, speed};
use super::text;
use crate::job::{CaptureSpec, Comparison, Job, SetupResult, Solution};
use crate::uncertainty::{Direction, IntervalShape, Level, Quantity, plain, rounded, rounded_u};
use crate::units::{DEGREE, MILLIMETRE};
use serde::Serialize;

/// Everything that the page shows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct View {
    /// The folder, as given.
    pub folder: String,
    /// What stands above everything where something is wrong.
    pub trouble: Option<String>,
    /// Why the result is in doubt, as its first line.
    pub in_doubt: Option<String>,
    /// The answer, once there is one.
    pub answer: Option<Answer>,
    /// The one thing to do now.
    pub order: Order,
    /// Before and after, if the cartridge was turned.
    pub change: Option<Change>,
    /// What has been recorded.
    pub recordings: Vec<Recorded>,
    /// What can be recorded next.
    pub next: Vec<Next>,
    /// What stands above that list.
    pub next_words: String,
    /// What is played, as it is asked for; null where somebody else keeps the job.
    pub asked: Option<Asked>,
    /// Doubts, the most serious first.
    pub doubts: Vec<Doubt>,
    /// Whether there is a page of evidence.
    pub evidence: bool,
    /// The recording that is being made.
    pub live: Option<Live>,
    /// What is said aloud when it changes.
    pub spoken: String,
}

/// An angle with its band.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Answer {
    /// Whose angle it is.
    pub of: String,
    /// Its size, degrees.
    pub figure: String,
    /// Its direction.
    pub way: String,
    /// What that looks like at the turntable.
    pub at_the_arm: String,
    /// Its band.
    pub band: String,
    /// Where all this lies on a scale; null where nothing bounds it.
    pub strip: Option<Strip>,
    /// What else is known of it: to the body, the tolerance, the arm.
    pub more: Vec<[String; 2]>,
}

/// Places along a scale from left (0) to right (100), zero degrees in its middle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Strip {
    /// Where the band begins.
    pub from: f64,
    /// How wide it is.
    pub width: f64,
    /// Where the value lies.
    pub at: f64,
    /// What stands at the ends and in the middle.
    pub words: [String; 3],
    /// The picture in words.
    pub description: String,
}

/// One thing to do.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Order {
    /// What to heed first.
    pub before: Vec<String>,
    /// The order.
    pub what: String,
    /// Why, where that is not the angle itself; else empty.
    pub why: String,
    /// How, and what comes after.
    pub after: Vec<String>,
    /// Which way the cartridge is to be turned, if it is: "clockwise" or "anticlockwise".
    pub turn: Option<Turn>,
    /// What protects hands, stylus and loudspeakers.
    pub caution: Option<&'static str>,
}

/// The turn as it is drawn.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Turn {
    /// "clockwise" or "anticlockwise".
    pub way: &'static str,
    /// The drawing in words.
    pub description: String,
    /// What stands at its arrows: the hole nearer the spindle, the other one, both sideways.
    pub holes: [String; 3],
}

/// Two states of alignment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// Before and after: name, angle, band.
    pub states: [[String; 3]; 2],
    /// What changed, and whether it is better.
    pub words: Vec<String>,
}

/// A recording of the job.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recorded {
    /// Its file.
    pub file: String,
    /// What it is.
    pub what: String,
    /// Speed and radius.
    pub detail: String,
    /// Whether the file is missing.
    pub missing: bool,
    /// Whether the page can take it off the list.
    pub removable: bool,
}

/// A recording that can be made next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Next {
    /// How it is named in an address; null where the page cannot take it.
    pub kind: Option<String>,
    /// What it is.
    pub what: String,
    /// How it is made.
    pub how: String,
    /// Half of the band expected with it.
    pub band: Option<String>,
    /// The same in degrees, as planned.
    #[serde(skip)]
    pub half_deg: Option<f64>,
    /// Whether it narrows most.
    pub best: bool,
    /// The usual angle, where an angle belongs to it.
    pub turn: Option<String>,
    /// What protects hands, stylus and loudspeakers.
    pub caution: bool,
}

/// What is played, as it stands in the fields.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Asked {
    /// Radius, mm.
    pub radius: String,
    /// Speed: 33, 45, 78.26.
    pub rpm: String,
    /// Shape of the tip.
    pub shape: &'static str,
    /// Its sizes, micrometres.
    pub sizes: String,
    /// The arm: unknown, pivoted, tangential, null-radius.
    pub arm: &'static str,
    /// Effective length, pivot to spindle, offset.
    pub arm_numbers: [String; 3],
    /// eye, gauge or unknown.
    pub aligned: &'static str,
    /// Tolerance, degrees.
    pub tolerance: String,
}

/// A doubt.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Doubt {
    /// note, caution, serious.
    pub level: Level,
    /// What was seen and what to do.
    pub message: String,
}

/// What a job holds before anything is solved.
#[derive(Debug, Clone, Copy)]
pub struct Known<'a> {
    /// The folder, as given.
    pub folder: &'a str,
    /// The job; `None` before anything is stated.
    pub job: Option<&'a Job>,
    /// The job as the page keeps it.
    pub sheet: Option<&'a Sheet>,
    /// For each capture, whether its recording is missing.
    pub missing: &'a [bool],
    /// What can be recorded next.
    pub next: &'a [Next],
}

impl Sheet {
    /// What can be recorded next, what narrows most first; then what does not, and the
    /// recording after a turn at the top where one is due.
    ///
    /// # Errors
    ///
    /// When the job cannot be planned.
    pub fn next(&self, turn_is_due: bool) -> Result<Vec<Next>, String> {
        let now = self.half_band_deg()?;
        let mut list: Vec<(f64, Next)> = Vec::new();
        for kind in Kind::ALL.into_iter().filter(|k| self.takes_next(*k)) {
            let half = match kind {
                Kind::After => None,
                _ => self.half_band_with(kind)?,
            };
            let place = match (kind, half) {
                (Kind::After, _) if turn_is_due => 0.0,
                (_, Some(half)) => half,
                (_, None) => f64::INFINITY,
            };
            list.push((
                place,
                Next {
                    kind: Some(kind.key().to_owned()),
                    what: self.name(kind),
                    how: self.how(kind).to_owned(),
                    band: half.map(half_band),
                    half_deg: half,
                    best: false,
                    turn: kind.has_turn().then(usual_turn),
                    caution: kind.touches(),
                },
            ));
        }
        list.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((half, first)) = list.first_mut() {
            // below this nothing is worth the trouble (common practice, no source)
            let helps = now.is_none_or(|now| *half < 0.99 * now);
            first.best = helps || !self.is_begun();
        }
        Ok(list.into_iter().map(|(_, next)| next).collect())
    }

    /// The first recording, before anything is stated.
    pub fn first() -> Vec<Next> {
        let nothing = Self::new(TipAnswer::Unknown, 100.0 / 3.0, [0.0; 2]);
        let first = Next {
            kind: Some(Kind::Found.key().to_owned()),
            what: nothing.name(Kind::Found),
            how: nothing.how(Kind::Found).to_owned(),
            band: None,
            half_deg: None,
            best: true,
            turn: None,
            caution: false,
        };
        vec![first]
    }

    /// What is played, as it stands in the fields.
    pub fn asked(&self) -> Asked {
        let pair = |sizes: Option<(f64, f64)>| {
            sizes.map_or_else(String::new, |(a, b)| {
                format!("{} x {}", number(a), number(b))
            })
        };
        let (shape, sizes) = match self.tip {
            TipAnswer::Unknown => ("unknown", String::new()),
            TipAnswer::Spherical(size) => ("spherical", size.map_or_else(String::new, number)),
            TipAnswer::Elliptical(sizes) => ("elliptical", pair(sizes)),
            TipAnswer::Line(sizes) => ("line", pair(sizes)),
        };
        let (arm, arm_numbers) = match self.arm {
            AnyArm::Unknown => ("unknown", Default::default()),
            AnyArm::Tangential => ("tangential", Default::default()),
            AnyArm::NullRadius => ("null-radius", Default::default()),
            AnyArm::Pivoted(a) => (
                "pivoted",
                [a.effective_length_mm, a.pivot_to_spindle_mm, a.offset_deg].map(number),
            ),
        };
        let radius = match self.radius_mm {
            [start, end] if start == end => number(start),
            [start, end] => format!("{}..{}", number(start), number(end)),
        };
        Asked {
            radius,
            rpm: rpm(self.rpm),
            shape,
            sizes,
            arm,
            arm_numbers,
            aligned: self.aligned.word(),
            tolerance: self.tolerance_deg.map_or_else(String::new, number),
        }
    }
}

impl View {
    /// A job without a result yet.
    pub fn waiting(known: &Known<'_>) -> Self {
        let what = match (known.job, known.sheet) {
            (None, _) => "Say what is played, then make the first recording.",
            (_, Some(_)) => {
                "Record half a minute with everything as found: press Listen and lower the needle, or add a file."
            }
            (Some(job), None) if job.captures.is_empty() => {
                "This folder has a job without recordings. It was written by hand: name its recordings there."
            }
            _ => "Add the recordings that the job in this folder names.",
        };
        let recordings = known
            .job
            .map_or_else(Vec::new, |job| recordings(job, known));
        let next_words = match (known.sheet, known.next.is_empty()) {
            (_, true) => String::new(),
            (None, _) if known.job.is_none() => "The first recording".to_owned(),
            (Some(sheet), _) if !sheet.is_begun() => "The first recording".to_owned(),
            (Some(_), _) => format!(
                "Next recording, and the {} % band expected with it",
                Sheet::planned_percent()
            ),
            (None, _) => "What the job asks for, and what would narrow the band".to_owned(),
        };
        Self {
            folder: known.folder.to_owned(),
            trouble: None,
            in_doubt: None,
            answer: None,
            order: Order {
                before: Vec::new(),
                what: what.to_owned(),
                why: String::new(),
                after: Vec::new(),
                turn: None,
                caution: Some(text::CAUTIONS),
            },
            change: None,
            recordings,
            next: known.next.to_vec(),
            next_words,
            asked: match (known.job, known.sheet) {
                (None, _) => Some(Asked {
                    rpm: "33".to_owned(),
                    shape: "unknown",
                    arm: "unknown",
                    aligned: "eye",
                    ..Asked::default()
                }),
                (_, Some(sheet)) => Some(sheet.asked()),
                _ => None,
            },
            doubts: Vec::new(),
            evidence: false,
            live: None,
            spoken: what.to_owned(),
        }
    }

    /// A job with its result.
    pub fn solved(
        known: &Known<'_>,
        job: &Job,
        solution: &Solution,
        comparison: Option<&Comparison>,
    ) -> Self {
        let mut waiting = Self::waiting(known);
        let doubted = solution.standing().is_doubted();
        if doubted {
            // nothing else comes before the doubt
            waiting.next_words = "Further recordings, once the doubt is resolved".to_owned();
            for next in &mut waiting.next {
                next.best = false;
                next.band = None;
            }
        }
        let current = current(job, solution);
        let found = current.and_then(|s| s.rotation_deg.half_width());
        let planned = known.sheet.and_then(|s| s.half_band_deg().ok().flatten());
        if let (false, Some(found), Some(planned)) = (doubted, found, planned) {
            // what was planned, at the width that was found
            for next in &mut waiting.next {
                next.band = next.half_deg.map(|half| half_band(half * found / planned));
            }
            let found = half_band(found);
            if waiting.next.iter().any(|next| next.best) {
                waiting.next_words += &format!(" instead of {found}");
            } else {
                waiting.next_words =
                    format!("Enough is recorded: nothing narrows the band of {found} much");
            }
        }
        let answer = match current {
            Some(setup) => Some(of_setup(setup)),
            None => solution.records.first().map(|record| {
                let q = &record.cut_rotation_deg;
                angle("The record's cut".to_owned(), q, "right", Vec::new())
            }),
        };
        let order = match current {
            Some(setup) => order(&Situation::of(setup, doubted)),
            None => Order {
                what: "Leave the cartridge as it is.".to_owned(),
                why: "A spherical tip tells how the record was cut, not how the cartridge sits."
                    .to_owned(),
                ..waiting.order
            },
        };
        let spoken = [
            solution.in_doubt.as_deref().map(plainly),
            answer
                .as_ref()
                .map(|a| format!("{} degrees, {}.", a.figure, a.way)),
            Some(order.before.join(" ")).filter(|words| !words.is_empty()),
            Some(order.what.clone()),
        ];
        Self {
            in_doubt: solution.in_doubt.as_deref().map(|doubt| {
                let slip = known.sheet.map_or("", |_| {
                    " If a recording was put on the wrong line, leave it out and put it on its own."
                });
                plainly(doubt).trim_end_matches('.').to_owned() + "." + slip
            }),
            spoken: spoken.into_iter().flatten().collect::<Vec<_>>().join(" "),
            answer,
            order,
            change: comparison.and_then(|c| change(c, solution)),
            doubts: solution
                .warnings
                .iter()
                .map(|w| Doubt {
                    level: w.level,
                    message: plainly(&w.message),
                })
                .collect(),
            evidence: true,
            ..waiting
        }
    }

    /// The same with something that went wrong.
    #[must_use]
    pub fn with_trouble(self, trouble: impl Into<String>) -> Self {
        let trouble = without_options(&trouble.into());
        Self {
            spoken: trouble.clone(),
            trouble: Some(trouble),
            ..self
        }
    }
}

/// The setup that was recorded last, of those whose tips can see their rotation.
pub fn current<'a>(job: &Job, solution: &'a Solution) -> Option<&'a SetupResult> {
    let recorded = job
        .captures
        .iter()
        .rev()
        .filter(|c| c.source != crate::job::DelaySource::Planned);
    recorded
        .filter_map(|c| solution.setups.iter().find(|s| s.name == c.setup))
        .find(|s| !s.unobservable)
}

/// The two setups to be compared: the one that was recorded last and the one before it of the
/// same cartridge.
pub fn before_and_after(job: &Job, solution: &Solution) -> Option<(String, String)> {
    let after = current(job, solution)?;
    let cartridge = |name: &str| job.setups.get(name).map(|s| &s.cartridge);
    let mut earlier = job.captures.iter().rev().filter(|c| c.setup != after.name);
    let before = earlier.find(|c| cartridge(&c.setup) == cartridge(&after.name))?;
    Some((before.setup.clone(), after.name.clone()))
}

fn of_setup(setup: &SetupResult) -> Answer {
    let mut more = Vec::new();
    if let Some(body) = &setup.stylus_to_body_deg {
        let words = format!("{}; {}", text::brief(body), text::turn_band(body));
        more.push(["To the cartridge body".to_owned(), words]);
    }
    if let Some(conformity) = &setup.conformity {
        let words = text::conformity(conformity).replace("+-", "±");
        more.push(["Tolerance".to_owned(), words]);
    }
    if let Some(arm) = text::arm(&setup.arm_of, setup.arm.as_ref()) {
        more.push(["Arm".to_owned(), arm]);
    }
    let without = if setup.temporary_changes.turned {
        ", the known turn taken back"
    } else {
        ""
    };
    let of = format!(
        "{}{without}: stylus to the groove",
        sheet::called(&setup.name)
    );
    angle(of, &setup.rotation_deg, "stylus", more)
}

fn angle(of: String, q: &Quantity, what: &str, more: Vec<[String; 2]>) -> Answer {
    let resolved = Direction::resolved(q);
    let (way, at_the_arm) = match resolved {
        Direction::NoneResolved => (
            "no direction resolved".to_owned(),
            "the band contains zero".to_owned(),
        ),
        way if what == "stylus" => (
            format!("{}, seen from above", text::direction(way)),
            text::direction_at_the_arm(way).to_owned(),
        ),
        way => (
            format!("{}, seen from above", text::direction(way)),
            String::new(),
        ),
    };
    Answer {
        of,
        figure: rounded(q.value.abs(), q.standard_uncertainty),
        way,
        at_the_arm,
        band: text::turn_band(q),
        strip: strip(q),
        more,
    }
}

/// Ends of a scale, degrees: the smallest that holds the band with a tenth to spare
/// (common practice, no source).
const SCALES_DEG: [f64; 6] = [2.0, 5.0, 10.0, 20.0, 45.0, 90.0];

fn strip(q: &Quantity) -> Option<Strip> {
    let (IntervalShape::Finite, Some(lower), Some(upper)) =
        (q.interval.shape, q.interval.lower, q.interval.upper)
    else {
        return None;
    };
    let furthest = lower.abs().max(upper.abs()).max(q.value.abs());
    let end = SCALES_DEG.into_iter().find(|end| *end >= 1.1 * furthest)?;
    // a thousandth of the scale is finer than anything drawn
    let place = |v: f64| (500.0 * (1.0 + v / end)).round() / 10.0;
    Some(Strip {
        from: place(lower),
        width: (10.0 * (place(upper) - place(lower))).round() / 10.0,
        at: place(q.value),
        words: [
            format!("{}° anticlockwise", number(end)),
            "0".to_owned(),
            format!("{}° clockwise", number(end)),
        ],
        description: format!(
            "A scale from {end} degrees anticlockwise to {end} degrees clockwise with {} on it; the value is {}.",
            text::turn_band(q),
            text::brief(q)
        ),
    })
}

fn order(situation: &Situation<'_>) -> Order {
    let instruction = situation.instruction();
    let turn = situation.correction.map(|c| {
        let half = plain(0.5 * c.mounting_hole_mm.abs(), 2);
        let sideways = plain(c.mounting_holes_sideways_mm.abs(), 2);
        let away = c.mounting_holes_sideways_mm < 0.0;
        let side = if away { "away from the spindle" } else { "towards the spindle" };
        let (near, far) = match c.direction {
            Direction::Clockwise => ("towards the pivot", "away from the pivot"),
            _ => ("away from the pivot", "towards the pivot"),
        };
        Turn {
            way: text::direction(c.direction),
            description: format!(
                "The cartridge from above, its front down, the spindle to the left, the arm's pivot above. It turns {} about the stylus: the hole nearer the spindle moves {half} mm {near}, the other hole {half} mm {far}, and both {sideways} mm {side}. The turn is drawn larger than it is.",
                text::direction(c.direction)
            ),
            holes: [
                format!("Hole nearer the spindle: {half} mm {near}"),
                format!("Other hole: {half} mm {far}"),
                format!(
                    "Both: {sideways} mm {side}, for a stylus {} mm ahead of the holes",
                    plain(c.holes_to_stylus_mm, 1)
                ),
            ],
        }
    });
    Order {
        before: instruction.before.iter().map(spoken).collect(),
        what: spoken(&instruction.order),
        why: match instruction.reason.is_empty() {
            true => String::new(),
            false => spoken(&instruction.reason),
        },
        // the drawing tells the holes
        after: instruction
            .after
            .iter()
            .skip(usize::from(turn.is_some()))
            .map(spoken)
            .collect(),
        caution: turn.is_some().then_some(text::CAUTIONS),
        turn,
    }
}

fn half_band(half_deg: f64) -> String {
    format!("±{}°", rounded_u(half_deg))
}

fn change(c: &Comparison, solution: &Solution) -> Option<Change> {
    let state = |name: &str| {
        let setup = solution.setups.iter().find(|s| s.name == name)?;
        let q = &setup.rotation_deg;
        Some([sheet::called(name), text::brief(q), text::turn_band(q)])
    };
    let change = &c.change_deg;
    let mut words = vec![format!(
        "The cartridge was turned {} ({}).",
        text::brief(change),
        text::turn_band(change)
    )];
    words.extend(text::turn_due(c).map(|due| capitalised(&due) + "."));
    if let Some(p) = c.probability_improved {
        let (way, p) = if p < 0.5 {
            ("farther from", 1.0 - p)
        } else {
            ("nearer to", p)
        };
        words.push(format!(
            "The stylus is now {way} zero with a probability of {}.",
            text::probability(p)
        ));
    }
    Some(Change {
        states: [state(&c.before)?, state(&c.after)?],
        words,
    })
}

fn recordings(job: &Job, known: &Known<'_>) -> Vec<Recorded> {
    let captures = job.captures.iter().enumerate();
    let first = job.captures.first().map(CaptureSpec::nominal_rpm);
    let at = |capture: &CaptureSpec| {
        let rpm = Some(capture.nominal_rpm()).filter(|rpm| Some(*rpm) != first);
        rpm.map_or_else(String::new, |rpm| format!(", at {}", speed(rpm)))
    };
    captures
        .filter(|(_, c)| c.source != crate::job::DelaySource::Planned)
        .map(|(k, capture)| Recorded {
            file: capture.describe(k),
            what: told(capture) + &at(capture),
            detail: format!(
                "{}, {} mm",
                speed(capture.nominal_rpm()),
                radius(capture.radius.map(|r| r / MILLIMETRE))
                    .trim_matches(['[', ']'])
                    .replace(", ", " to ")
            ),
            missing: known.missing.get(k) == Some(&true),
            removable: known.sheet.is_some(),
        })
        .collect()
}

/// What a recording is, in words.
pub fn told(capture: &CaptureSpec) -> String {
    let mut words = match capture.setup.as_str() {
        "ball" => "Cartridge with the spherical tip".to_owned(),
        name => sheet::called(name),
    };
    if capture.record == "other-side" {
        words += ", another side";
    }
    if capture.swapped {
        words += ", leads swapped";
    }
    let turn = capture.turn.value.unwrap_or(0.0) / DEGREE;
    if turn != 0.0 {
        let way = text::direction(Direction::of(turn));
        words += &format!(", turned {}° {way} for this one", number(turn.abs()));
    }
    capitalised(&words)
}

/// A message for somebody who reads neither job files nor statistics: without options, lines
/// of the job, what to write there, and what chi-square says.
fn plainly(message: &str) -> String {
    let mut text = without_options(message);
    while let Some(at) = text.find(", line ") {
        let digits = text[at + 7..]
            .chars()
            .take_while(char::is_ascii_digit)
            .count();
        text.replace_range(at..at + 7 + digits, "");
    }
    for bracket in [" (chi-square", " (if so, "] {
        while let Some(open) = text.find(bracket) {
            let mut depth = 0;
            let close = text[open..].find(|c| {
                depth += i32::from(c == '(') - i32::from(c == ')');
                c == ')' && depth == 0
            });
            let end = close.map_or(text.len(), |close| open + close + 1);
            text.replace_range(open..end, "");
        }
    }
    text
}

/// A message without what it says of options, which nobody at the turntable types: of each
/// sentence, brackets and clauses that name one are left out, as long as something stays.
pub fn without_options(message: &str) -> String {
    let sentences = message.split(". ").map(sentence_without_options);
    sentences.collect::<Vec<_>>().join(". ")
}

fn sentence_without_options(sentence: &str) -> String {
    const OPTION: &str = "--";
    let mut text = sentence.to_owned();
    let bracket = |text: &str| {
        let mut all = text.match_indices(" (").filter_map(|(open, _)| {
            let close = open + text[open..].find(')')?;
            text[open..close].contains(OPTION).then_some(open..=close)
        });
        all.next()
    };
    while let Some(named) = bracket(&text) {
        text.replace_range(named, "");
    }
    for between in [", or ", ", ", "; "] {
        let clauses: Vec<&str> = text.split(between).collect();
        let plain = |clause: &&&str| !clause.contains(OPTION);
        let stay: Vec<&str> = clauses.iter().filter(plain).copied().collect();
        if !stay.is_empty() {
            text = stay.join(between);
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::{plainly, without_options};

    #[test]
    fn nobody_at_the_turntable_reads_statistics() {
        let message = "they disagree. They would agree if capture 3 (a.wav, line 36) had the other sign (if so, add x = [2, 1]): check that (chi-square 47.9 with 12 degrees of freedom, probability 3e-6; capture 3 (a.wav, line 36) departs by 5.0). More";
        let says = "they disagree. They would agree if capture 3 (a.wav) had the other sign: check that. More";
        assert_eq!(plainly(message), says);
    }

    #[test]
    fn nobody_at_the_turntable_types_options() {
        for (message, says) in [
            ("it is loud; choose another band with --band", "it is loud"),
            (
                "holds less than 1 s; record longer (30 s or more are better), or name the part with --from and --to",
                "holds less than 1 s; record longer (30 s or more are better)",
            ),
            (
                "a needle set down does so (measure a part by itself: measure --from, --to), and so does a recorder",
                "a needle set down does so, and so does a recorder",
            ),
            (
                "use it (--x, so), and clean (twice)",
                "use it, and clean (twice)",
            ),
            (
                "it is 1.5 s long, or name a part with --from. It lies in the folder.",
                "it is 1.5 s long. It lies in the folder.",
            ),
            ("correct --pitch", "correct --pitch"),
        ] {
            assert_eq!(without_options(message), says);
        }
    }
}
