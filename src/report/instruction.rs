//! What to do about a setup: one instruction, from which text and page are made.

use super::sentence::{Piece, Sentence, plain_text, whole, words};
use super::text;
use crate::job::{ArmOf, Correction, LargestContribution, SetupResult, TemporaryChanges};
use crate::uncertainty::{Direction, Quantity, plain, rounded};

/// What to do: first what is to be heeded, then one order, then how.
#[derive(Debug, Clone, PartialEq)]
pub struct Instruction {
    /// Warnings before the order.
    pub before: Vec<Sentence>,
    /// The order.
    pub order: Sentence,
    /// Why, where that is not the angle itself; else empty.
    pub reason: Sentence,
    /// How to carry it out, and what comes after.
    pub after: Vec<Sentence>,
    /// Whether the order is to turn the cartridge.
    pub turns: bool,
}

/// What an instruction is made of.
#[derive(Debug, Clone, Copy)]
pub struct Situation<'a> {
    /// Whether the result is in doubt.
    pub in_doubt: bool,
    /// Rotation of the stylus in the headshell.
    pub headshell_deg: &'a Quantity,
    /// The turn, if there is one.
    pub correction: Option<&'a Correction>,
    /// Whether a stated tolerance is kept.
    pub kept: bool,
    /// Whether nothing is stated of the arm.
    pub arm_unknown: bool,
    /// Whether the mounting is stated.
    pub mounting_stated: bool,
    /// Whether leads entered the wrong way round would go unseen.
    pub unchecked: bool,
    /// What the last recording leaves at the cartridge.
    pub left_behind: TemporaryChanges,
    /// Whether the arm is not set as stated.
    pub misset_arm: bool,
    /// What would narrow the band of the turn.
    pub narrows: LargestContribution,
    /// Whether this is the result of one recording, which belongs to no job.
    pub single: bool,
    /// Rotation of the stylus to the groove, if it is known.
    pub groove_deg: Option<&'a Quantity>,
    /// Rotation of the stylus to the body, if it is known.
    pub body_deg: Option<&'a Quantity>,
    /// A later setup of the same cartridge.
    pub superseded_by: Option<&'a str>,
}

impl<'a> Situation<'a> {
    /// The situation of a setup.
    pub fn of(setup: &'a SetupResult, in_doubt: bool) -> Self {
        Self {
            in_doubt,
            headshell_deg: &setup.headshell_deg,
            correction: setup.correction.as_ref(),
            kept: setup.conformity.is_some_and(|c| c.is_kept()),
            arm_unknown: setup.arm_of == ArmOf::Unknown,
            mounting_stated: setup.mounting_stated,
            unchecked: setup.exchange_undetectable,
            left_behind: setup.temporary_changes,
            misset_arm: setup.misset_arm,
            narrows: setup.largest_contribution,
            single: false,
            groove_deg: Some(&setup.rotation_deg),
            body_deg: setup.stylus_to_body_deg.as_ref(),
            superseded_by: setup.superseded_by.as_deref(),
        }
    }

    /// What to do.
    pub fn instruction(&self) -> Instruction {
        match self.correction {
            Some(correction) => self.turn(correction),
            None => {
                let (order, reason) = self.nothing();
                Instruction {
                    before: match self.in_doubt || self.superseded_by.is_some() {
                        true => Vec::new(),
                        false => self.undone(),
                    },
                    order: words(order),
                    reason,
                    after: Vec::new(),
                    turns: false,
                }
            }
        }
    }

    /// That nothing is to be turned, and why.
    fn nothing(&self) -> (&'static str, Sentence) {
        if self.in_doubt {
            return ("turn nothing until the doubt is resolved", Vec::new());
        }
        if let Some(later) = self.superseded_by {
            let reason = format!(
                "setup '{later}' was recorded later with the same cartridge, and its instruction counts"
            );
            return ("nothing here", words(reason));
        }
        let q = self.headshell_deg;
        let straight = q.interval.contains(0.0);
        let order = match (straight, self.kept) {
            (true, true) => "the tolerance is met. Leave the cartridge as it is",
            (true, false) => "leave the cartridge as it is",
            (false, true) => "the tolerance is met. Do not turn the cartridge",
            (false, false) => "do not turn the cartridge yet",
        };
        let band = text::turn_band(q);
        let arm_is_all = self.groove_deg.is_some_and(|q| !q.interval.contains(0.0));
        let mut reason = words(match (straight, arm_is_all) {
            (false, _) => format!(
                "a turn would remove {} degrees, but that is not known well enough ({band}): the turn could be much too small or much too large",
                rounded(q.value.abs(), q.standard_uncertainty)
            ),
            (true, false) => format!(
                "the stylus may already stand straight in the groove (what a turn can remove: {band}), and the data do not show which way to turn"
            ),
            (true, true) => format!(
                "there may be nothing for a turn to remove ({band}); the rest of the rotation is the arm's tracking error at this radius"
            ),
        });
        // in the headshell it is straight, and in the cartridge it is not
        let askew = self.body_deg.filter(|q| {
            straight && !q.interval.contains(0.0) && q.value.abs() > COMMONLY_ALLOWED_DEG
        });
        if let Some(body) = askew {
            reason.push(Piece::from(format!(
                ". To the cartridge body the stylus is turned {}: show the supplier this result",
                text::brief(body)
            )));
        }
        if !self.kept {
            reason.extend(self.narrower());
        }
        (order, reason)
    }

    /// What would narrow the band.
    fn narrower(&self) -> Sentence {
        match self.narrows {
            LargestContribution::Arm if self.arm_unknown => vec![
                ". For a narrower band, state the arm".into(),
                Piece::Command(" (--arm, or arm in a job)"),
                ", or record at one of its null radii".into(),
            ],
            LargestContribution::Arm => vec![". For a narrower band, measure the arm more closely, or record at one of its null radii".into()],
            LargestContribution::Tip => vec![
                ". For a narrower band, state the sizes of the tip".into(),
                Piece::Command(" (--stylus, or the cartridge in a job)"),
            ],
            LargestContribution::Recordings if self.single => vec![Piece::Command(
                ". For a narrower band, record more: 'groovelag start' writes a job and shows which recordings help most",
            )],
            LargestContribution::Recordings => vec![Piece::Command(
                ". For a narrower band, 'groovelag plan' shows which further recordings help most",
            )],
        }
    }

    /// What is to be put right first.
    fn undone(&self) -> Vec<Sentence> {
        let mut list = Vec::new();
        if self.left_behind.turned {
            list.push(words(
                "the last recording was made with the cartridge turned by a known angle, which the angles here leave out: take that turn back first",
            ));
        }
        if self.left_behind.leads {
            list.push(words(
                "the last recording was made with the leads swapped: put them back first",
            ));
        }
        if self.misset_arm {
            list.push(words(
                "the arm is not set as stated (see Arms): set its overhang first, then record again",
            ));
        }
        list
    }

    fn turn(&self, c: &Correction) -> Instruction {
        let u = self.headshell_deg.standard_uncertainty;
        let mut before = Vec::new();
        if c.turn_deg.abs() > COMMONLY_ALLOWED_DEG {
            before.push(words(
                "a turn this large puts the cantilever askew to the groove: ask the supplier first, with this result",
            ));
        }
        if self.arm_unknown {
            before.push(vec![
                "the arm is not stated, and its tracking error at this radius may be part of this result: state it first".into(),
                Piece::Command(" (--arm, or arm in a job)"),
                ", or record at one of its null radii".into(),
            ]);
        }
        if self.unchecked {
            before.push(words(
                "nothing here distinguishes left from right, and exchanged channels or leads would reverse the turn: check them first, or record once more with a known turn",
            ));
        }
        before.extend(self.undone());
        if self.kept {
            before.push(words(
                "the tolerance is met, so you need not do anything; a turn removes what was found",
            ));
        }
        let order = vec![
            "turn the cartridge ".into(),
            Piece::number(
                "turn_deg",
                c.turn_deg,
                plain(c.turn_deg.abs(), SET_DECIMALS),
            ),
            Piece::from(format!(
                " degrees {} seen from above ({}), about the stylus",
                text::direction(c.direction),
                text::direction_at_the_arm(c.direction)
            )),
        ];
        let (near, far) = match c.direction {
            Direction::Clockwise => ("towards the arm's pivot", "away from it"),
            _ => ("away from the arm's pivot", "towards it"),
        };
        let half = plain(0.5 * c.mounting_hole_mm, 2);
        let sideways = if c.mounting_holes_sideways_mm < 0.0 {
            "away from the spindle"
        } else {
            "towards the spindle"
        };
        let mut after = vec![vec![
            Piece::from(format!(
                "the mounting hole nearer the spindle moves {half} mm {near} and the other {half} mm {far} ("
            )),
            Piece::number(
                "mounting_hole_mm",
                c.mounting_hole_mm,
                plain(c.mounting_hole_mm, 2),
            ),
            " mm against each other), and both move ".into(),
            Piece::number(
                "mounting_holes_sideways_mm",
                c.mounting_holes_sideways_mm,
                plain(c.mounting_holes_sideways_mm.abs(), 2),
            ),
            Piece::from(format!(
                " mm {sideways}, for a stylus {} mm ahead of the holes",
                plain(c.holes_to_stylus_mm, 1)
            )),
        ]];
        after.push(words(
            "if the slots leave no room sideways, turn it all the same: the stylus then moves sideways, which changes the tracking error by about a quarter of a degree per millimetre",
        ));
        if c.remaining_deg.abs() > REMAINS_DEG {
            after.push(vec![
                "the headshell is stated to allow no more, and ".into(),
                Piece::number(
                    "remaining_deg",
                    c.remaining_deg,
                    rounded(c.remaining_deg.abs(), u),
                ),
                " degrees would remain: ask the supplier".into(),
            ]);
        }
        let left = Quantity {
            value: c.remaining_deg,
            interval: self.headshell_deg.interval.shifted(c.turn_deg),
            ..*self.headshell_deg
        };
        after.push(words(format!(
            "expected rotation after the turn: {}",
            text::turn_band(&left)
        )));
        after.push(vec![
            "set overhang, tracking force and bias force again, record the same grooves again and compare".into(),
            Piece::Command(" ('groovelag compare')"),
        ]);
        after.push(words(format!(
            "an alignment gauge {} then show the body askew, on purpose: do not turn it back, and do not state it as aligned",
            if self.mounting_stated { "will" } else { "may" }
        )));
        Instruction {
            before,
            order,
            reason: Vec::new(),
            after,
            turns: true,
        }
    }
}

/// What makers commonly allow, degrees (common practice, no source).
const COMMONLY_ALLOWED_DEG: f64 = 5.0;

/// Decimals of a turn: nobody sets a cartridge finer than to a tenth of a degree (common
/// practice, no source).
const SET_DECIMALS: usize = 1;

/// A remainder below this is the rounding of a difference.
const REMAINS_DEG: f64 = 1e-9;

fn joined(sentences: impl Iterator<Item = Sentence>) -> String {
    let sentences = sentences.map(|s| plain_text(&whole(s)));
    sentences.collect::<Vec<_>>().join(" ")
}

impl Instruction {
    /// The order with its reason.
    pub fn reasoned(&self) -> Sentence {
        let colon = (!self.reason.is_empty()).then(|| ": ".into());
        let parts = self.order.iter().cloned().chain(colon);
        parts.chain(self.reason.iter().cloned()).collect()
    }

    /// Everything in its order.
    pub fn sentences(&self) -> impl Iterator<Item = Sentence> {
        let order = std::iter::once(self.reasoned());
        let before = self.before.iter().cloned();
        before.chain(order).chain(self.after.iter().cloned())
    }

    /// All sentences, each with a capital letter and a full stop.
    pub fn text(&self) -> String {
        joined(self.sentences())
    }

    /// The same without what follows once the cartridge is turned.
    pub fn brief(&self) -> String {
        let to_the_turn = self.before.len() + 1 + self.after.len().min(1);
        joined(self.sentences().take(to_the_turn))
    }
}
