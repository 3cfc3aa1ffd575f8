//! A recording while it is made, for somebody who stands two metres away.

use super::{Answer, Doubt, angle, without_options};
use crate::analysis::follow::SignalLevel;
use crate::report::follow::duration;
use crate::session::StreamEstimate;
use crate::uncertainty::{Level, Prospect, Warning, plain};
use serde::Serialize;

/// How long a recording should be, seconds: what the page asks for, half a minute, so that
/// single bars or clicks do not rule what is found (common practice, no source).
const WORTH_S: f64 = 30.0;

/// The quietest level drawn, dB of full scale: the groove noise of most records lies about
/// there (common practice, no source).
const QUIETEST_DB: f64 = -60.0;

/// What is shown while a recording is made.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Live {
    /// Whether the cartridge is turned by a known angle for it.
    #[serde(skip)]
    pub turned: bool,
    /// What is recorded.
    pub what: String,
    /// Into which file.
    pub file: String,
    /// From where.
    pub source: String,
    /// How much has been heard.
    pub heard: String,
    /// What this recording alone says so far.
    pub answer: Option<Answer>,
    /// The one thing to do now.
    pub order: String,
    /// Whether it can be kept with a good conscience.
    pub enough: bool,
    /// Whether it has ended by itself.
    pub ended: bool,
    /// What is wrong now, the most serious first.
    pub health: Vec<Doubt>,
    /// Left and right.
    pub levels: [Bar; 2],
}

/// The level of a channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bar {
    /// In words.
    pub words: String,
    /// From 0 to 100.
    pub length: f64,
    /// Its highest sample, from 0 to 100.
    pub peak: f64,
}

impl Bar {
    fn of(name: &str, power_db: Option<f64>, peak_db: Option<f64>) -> Self {
        let place = |db: Option<f64>| {
            let part = db.map_or(0.0, |db| 1.0 - db / QUIETEST_DB);
            (100.0 * part.clamp(0.0, 1.0)).round()
        };
        let words =
            |db: Option<f64>| db.map_or("nothing".to_owned(), |db| format!("{} dB", plain(db, 0)));
        Self {
            words: format!("{name} {}, peak {}", words(power_db), words(peak_db)),
            length: place(power_db),
            peak: place(peak_db),
        }
    }
}

impl Live {
    /// A recording of which nothing has come yet.
    ///
    /// With `turned`, the cartridge is turned by a known angle, which figures leave out.
    pub fn new(what: String, file: String, source: String, turned: bool) -> Self {
        Self {
            turned,
            what,
            file,
            source,
            heard: "no programme yet".to_owned(),
            answer: None,
            order: "Wait until the sound comes.".to_owned(),
            enough: false,
            ended: false,
            health: Vec::new(),
            levels: ["Left", "Right"].map(|name| Bar::of(name, None, None)),
        }
    }

    /// Shows what is known now.
    pub fn show(&mut self, estimate: &StreamEstimate) {
        let of_tip = estimate.rotation_deg.as_ref();
        let of_tip = of_tip.map(|q| ("stylus to the groove", "stylus", q));
        let of_cut = estimate.cut_rotation_deg.as_ref();
        let found = of_tip.or(of_cut.map(|q| ("the record's cut", "right", q)));
        let answer = found.map(|(of, what, q)| {
            let without = if self.turned {
                ", the known turn taken back"
            } else {
                ""
            };
            angle(
                format!("This recording alone{without}: {of}"),
                q,
                what,
                Vec::new(),
            )
        });
        let serious = estimate.health.iter().find(|c| c.level == Level::Serious);
        let is = |code: Warning| estimate.health.iter().any(|c| c.code == code);
        let reached = estimate
            .outlook
            .is_some_and(|outlook| outlook.prospect != Prospect::MoreTime);
        let left_s = WORTH_S - estimate.programme_s;
        let more_s = estimate
            .outlook
            .and_then(|o| o.seconds)
            .unwrap_or(0.0)
            .max(left_s);
        let stopped = is(Warning::EndOfSide);
        let enough = reached && (left_s <= 0.0 || stopped) && serious.is_none();
        let answered = answer.is_some();
        let order = if !answered && (is(Warning::Waiting) || is(Warning::NoSignal)) {
            "Lower the needle.".to_owned()
        } else if let Some(caveat) = serious {
            sentence(&without_options(&caveat.message))
        } else if stopped && enough {
            "The record has stopped: press Keep.".to_owned()
        } else if stopped {
            "The record has stopped too soon: discard this recording, and listen again.".to_owned()
        } else if enough {
            "Enough: press Keep. Another recording narrows the band more than more of this one."
                .to_owned()
        } else {
            format!("Let it play for {} more.", duration(more_s))
        };
        let since = if estimate.stretch > 1 {
            " since the pause"
        } else {
            ""
        };
        self.heard = match answered {
            true => format!("{} of programme{since}", duration(estimate.programme_s)),
            false => "no programme yet".to_owned(),
        };
        self.answer = answer;
        self.order = order;
        self.enough = enough;
        self.health = estimate
            .health
            .iter()
            .filter(|c| !serious.is_some_and(|s| s == *c) && c.level > Level::Note)
            .map(|c| Doubt {
                level: c.level,
                message: sentence(&without_options(&c.message)),
            })
            .chain((estimate.stretch > 1).then(|| Doubt {
                level: Level::Caution,
                message: LIFTED.to_owned(),
            }))
            .collect();
    }

    /// Shows the level of now.
    pub fn show_level(&mut self, signal: &SignalLevel) {
        self.levels = [
            Bar::of("Left", signal.left_dbfs, signal.left_peak_dbfs),
            Bar::of("Right", signal.right_dbfs, signal.right_peak_dbfs),
        ];
    }

    /// Shows that it has ended, for a reason that the user should know.
    pub fn end(&mut self, why: &str) {
        self.order = format!("{} Keep what came, or discard it.", sentence(why));
        self.ended = true;
    }
}

/// Said after a pause: the file is one recording of one state.
const LIFTED: &str = "The needle was lifted, and the file holds what came before as well: if anything was changed in between, discard the recording and listen again.";

fn sentence(words: &str) -> String {
    super::capitalised(words.trim_end_matches('.')) + "."
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Program;
    use crate::uncertainty::{Caveat, Direction, Quantity, outlook};

    /// An invented moment: so long heard, with so much noise in the rotation, degrees, and this
    /// wrong.
    fn order(programme_s: f64, noise_deg: f64, health: &[Caveat]) -> (bool, String) {
        let u = 1.0_f64.hypot(noise_deg);
        let estimate = StreamEstimate {
            schema: StreamEstimate::SCHEMA.to_owned(),
            program: Program::this(),
            stream_s: programme_s,
            stretch: 1,
            programme_s,
            radius_mm: 70.0,
            delay_us: Some(Quantity::normal(3.0, u, 0.95)),
            rotation_deg: Some(Quantity::normal(4.0, u, 0.95)),
            cut_rotation_deg: None,
            direction: Direction::Clockwise,
            before: None,
            recent: None,
            signal: SignalLevel::default(),
            health: health.to_vec(),
            outlook: Some(outlook(noise_deg, 1.0, programme_s, None)),
        };
        let [what, file, source] = ["As found", "found.wav", "Line"].map(str::to_owned);
        let mut live = Live::new(what, file, source, false);
        live.show(&estimate);
        (live.enough, live.order)
    }

    #[test]
    fn enough_is_long_enough_certain_enough_and_sound() {
        let (enough, words) = order(30.0, 0.01, &[]);
        assert!(
            enough && words.starts_with("Enough: press Keep."),
            "{words}"
        );
        // some seconds more for single bars, whatever the noise
        let (enough, words) = order(25.0, 0.01, &[]);
        assert!(!enough && words == "Let it play for 5 s more.", "{words}");
        // noise of two: a variance of 4 beside 1 comes down to a ninth with 36 times the 30 s
        let (enough, words) = order(30.0, 2.0, &[]);
        assert!(!enough && words.starts_with("Let it play"), "{words}");
        let caution = Caveat::caution(Warning::Noisy, "noisy");
        assert!(order(30.0, 0.01, &[caution]).0);
        let serious = Caveat::serious(Warning::Clipping, "the input clips");
        let (enough, words) = order(30.0, 0.01, &[serious]);
        assert!(!enough && words == "The input clips.", "{words}");
        // what a record holds is all there is
        let stopped = Caveat::note(Warning::EndOfSide, "stopped");
        let (enough, words) = order(12.0, 0.01, std::slice::from_ref(&stopped));
        assert!(
            enough && words == "The record has stopped: press Keep.",
            "{words}"
        );
        let (enough, words) = order(12.0, 2.0, &[stopped]);
        assert!(
            !enough && words.starts_with("The record has stopped too soon"),
            "{words}"
        );
    }
}
