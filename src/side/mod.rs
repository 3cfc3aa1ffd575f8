//! A side to be cut: its parts, its samples, and the location of a recording on it.
//!
//! [`Cue::all`] lists the parts of the side with their times and radii, [`SideSignal`] makes the samples for
//! a cutting engineer, [`Peaks`] their demands on lathe and groove, and [`Finder`] reads the coded marks
//! between the parts from a recording. The side never changes: records may have been cut of it.

mod cable;
mod marks;
mod programme;

pub use cable::Cable;
pub use marks::{DetectedMark, Finder};
pub use programme::{Peaks, SideSignal};

use std::f64::consts::{SQRT_2, TAU};

/// Speed of the cut, revolutions per minute (IEC 60098).
pub const RPM: f64 = 100.0 / 3.0;
/// Radius of the first groove of the programme, millimetres: inside the outermost of a
/// 30 cm disc, 146 mm (IEC 60098, from memory).
pub const OUTER_MM: f64 = 144.0;
/// Radius of its last groove: outside the innermost, 60 mm (IEC 60098, from memory).
pub const INNER_MM: f64 = 62.0;
/// Peak lateral velocity of the level tone at 1 kHz, m/s.
pub const TONE_VELOCITY: f64 = 0.05;
/// Peak of that tone in the file, dB against full scale.
pub const TONE_DBFS: f64 = -12.0;
/// Unmodulated groove before and behind a mark, seconds.
const PAUSE_S: f64 = 1.5;
/// Unmodulated groove before the first mark and behind the last one.
const MARGIN_S: f64 = 2.0;
/// Fades at the ends of a part, seconds.
const FADE_S: f64 = 0.05;

/// Which walls a part moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Walls {
    /// Both alike: lateral mono.
    Both,
    /// The left channel alone.
    Left,
    /// The right channel alone.
    Right,
}

/// What is cut into a part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Content {
    /// A sine of so many hertz.
    Tone(f64),
    /// Wide-band noise.
    Noise,
    /// Nothing.
    Silence,
}

/// A part of the side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SidePart {
    /// Its name, as a job names the band.
    pub name: &'static str,
    /// What is cut into it.
    pub content: Content,
    /// Into which walls.
    pub walls: Walls,
    /// How long, seconds.
    pub seconds: f64,
}

const fn part(name: &'static str, content: Content, walls: Walls, seconds: f64) -> SidePart {
    SidePart {
        name,
        content,
        walls,
        seconds,
    }
}

/// The parts, from the outside in. 3150 Hz is the tone of wow and flutter meters (IEC 60386).
pub const PARTS: [SidePart; 13] = [
    part("level", Content::Tone(1000.0), Walls::Both, 15.0),
    part("speed", Content::Tone(3150.0), Walls::Both, 30.0),
    part("wide-1", Content::Noise, Walls::Both, 55.0),
    part("left-1", Content::Noise, Walls::Left, 30.0),
    part("right-1", Content::Noise, Walls::Right, 30.0),
    part("wide-2", Content::Noise, Walls::Both, 55.0),
    part("wide-3", Content::Noise, Walls::Both, 55.0),
    part("silent", Content::Silence, Walls::Both, 25.0),
    part("wide-4", Content::Noise, Walls::Both, 55.0),
    part("left-2", Content::Noise, Walls::Left, 30.0),
    part("right-2", Content::Noise, Walls::Right, 30.0),
    part("wide-5", Content::Noise, Walls::Both, 55.0),
    part("wide-6", Content::Noise, Walls::Both, 55.0),
];

/// When and where a part is cut, and the mark before it. One more mark ends the side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cue {
    /// The part.
    pub part: SidePart,
    /// Start of the mark before it, seconds.
    pub mark_s: f64,
    /// Start and end of the part, seconds.
    pub span_s: [f64; 2],
}

impl Cue {
    /// The side from its start to its end.
    pub fn all() -> [Self; PARTS.len()] {
        let mut at = MARGIN_S;
        PARTS.map(|part| {
            let mark_s = at;
            let from = mark_s + marks::LENGTH_S + PAUSE_S;
            at = from + part.seconds + PAUSE_S;
            Self {
                part,
                mark_s,
                span_s: [from, from + part.seconds],
            }
        })
    }

    /// Radius at its start and its end, millimetres, with a constant pitch.
    pub fn radius_mm(&self) -> [f64; 2] {
        self.span_s.map(radius_mm)
    }
}

/// Start of the mark that ends the side, seconds.
pub fn last_mark_s() -> f64 {
    let [.., last] = Cue::all();
    last.span_s[1] + PAUSE_S
}

/// Length of the side, seconds.
pub fn length_s() -> f64 {
    last_mark_s() + marks::LENGTH_S + MARGIN_S
}

/// Distance of neighbouring grooves, millimetres a revolution.
pub fn pitch_mm() -> f64 {
    (OUTER_MM - INNER_MM) / (length_s() * RPM / 60.0)
}

/// Radius at a time, millimetres.
pub fn radius_mm(at_s: f64) -> f64 {
    OUTER_MM - pitch_mm() * at_s * RPM / 60.0
}

/// Speed of the groove at a radius, m/s.
pub fn groove_speed(radius_mm: f64) -> f64 {
    TAU * radius_mm / 1000.0 * RPM / 60.0
}

/// Limits of cutter and groove. The first one reached sets the level of a part.
pub struct CutLimits;

impl CutLimits {
    /// Radius of the largest tip that is to trace the groove, metres: a spherical tip of 18 um
    /// (IEC 60098, from memory: 15 to 18 um).
    pub const TIP_M: f64 = 18e-6;
    /// Slope of the groove against its direction: half of what a cutting stylus with a back
    /// angle of 45 degrees can cut (from memory).
    pub const SLOPE: f64 = 0.5;
    /// Displacement to either side, metres: what the pitch of this side leaves room for twice
    /// over. Common practice, no source.
    pub const DISPLACEMENT_M: f64 = 40e-6;
    /// Displacement up and down, metres: a third of the depth of a groove 55 um wide, which must
    /// neither leave the lacquer nor lift the playing tip. Common practice, no source.
    pub const VERTICAL_M: f64 = 9e-6;

    /// Acceleration at a radius, m/s^2, at which the groove's curvature is that of the largest
    /// tip: `v^2 / r`, from the geometry.
    pub fn acceleration(radius_mm: f64) -> f64 {
        groove_speed(radius_mm).powi(2) / Self::TIP_M
    }

    /// Velocity at a radius, m/s, at which the slope is [`SLOPE`](Self::SLOPE).
    pub fn velocity(radius_mm: f64) -> f64 {
        groove_speed(radius_mm) * Self::SLOPE
    }
}

/// Where the parts of the side are in a recording with these marks: start and end in seconds of
/// the recording, by the marks on both sides, or by one of them and the recording's mean speed.
/// None where neither was found, or where a part is not there as a whole.
pub fn places(found: &[DetectedMark], duration_s: f64) -> [Option<[f64; 2]>; PARTS.len()] {
    let cues = Cue::all();
    let cut_s = |k: usize| cues.get(k).map_or_else(last_mark_s, |cue| cue.mark_s);
    let mark = |k: usize| found.iter().find(|mark| mark.number == k);
    let slope = stretch(found);
    let mut k = 0;
    cues.map(|cue| {
        let at = k;
        k += 1;
        let (from, slope) = match (mark(at), mark(at + 1)) {
            (Some(a), Some(b)) => {
                let slope = (b.at_s - a.at_s) / (cut_s(at + 1) - cut_s(at));
                ((a.at_s, cut_s(at)), slope)
            }
            (Some(a), None) => ((a.at_s, cut_s(at)), slope?),
            (None, Some(b)) => ((b.at_s, cut_s(at + 1)), slope?),
            (None, None) => return None,
        };
        let span = cue.span_s.map(|s| from.0 + slope * (s - from.1));
        (span[0] >= 0.0 && span[1] <= duration_s).then_some(span)
    })
}

/// Seconds of a recording to a second of the cut: the reciprocal of how fast the record turned
/// against the cut and the recorder's clock.
pub fn stretch(found: &[DetectedMark]) -> Option<f64> {
    let cues = Cue::all();
    let cut_s = |mark: &DetectedMark| {
        cues.get(mark.number)
            .map_or_else(last_mark_s, |cue| cue.mark_s)
    };
    match found {
        [] => None,
        [one] => Some(one.stretch),
        [first, .., last] => Some((last.at_s - first.at_s) / (cut_s(last) - cut_s(first))),
    }
}

/// Standard uncertainty of [`stretch`], by what wow moves the first and the last mark, or the ends of a
/// single one.
pub fn stretch_u(found: &[DetectedMark]) -> Option<f64> {
    let apart_s = match found {
        [] => return None,
        [_] => marks::LENGTH_S,
        [first, .., last] => last.at_s - first.at_s,
    };
    Some(SQRT_2 * marks::MOST_SPACING_RMS_S / apart_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Records may have been cut: the times and places of the side stay what they are.
    #[test]
    fn the_side_never_changes() {
        let cues = Cue::all();
        assert_eq!(cues[0].mark_s, 2.0);
        assert!((length_s() - 579.8).abs() < 1e-9, "{}", length_s());
        assert!((pitch_mm() - 0.254_570).abs() < 1e-5, "{}", pitch_mm());
        let starts = cues.map(|cue| (10.0 * cue.radius_mm()[0]).round() / 10.0);
        assert_eq!(starts[0], 143.3);
        assert!(starts.windows(2).all(|pair| pair[0] > pair[1]));
        let [.., last] = cues;
        assert!(last.radius_mm()[1] > INNER_MM && (radius_mm(length_s()) - INNER_MM).abs() < 1e-9);
        let wide = cues
            .iter()
            .filter(|cue| cue.part.content == Content::Noise && cue.part.walls == Walls::Both);
        assert_eq!(wide.count(), 6);
    }

    #[test]
    fn parts_are_placed_by_the_marks_beside_them() {
        let cues = Cue::all();
        // 1 % slow from 100 s into the side on, where the third mark comes next
        let mark = |number: usize| {
            let cut = cues.get(number).map_or_else(last_mark_s, |c| c.mark_s);
            DetectedMark {
                number,
                at_s: 1.01 * (cut - 100.0),
                stretch: 1.01,
                correlation: 1.0,
            }
        };
        let all: Vec<DetectedMark> = (3..=PARTS.len()).filter(|n| *n != 6).map(mark).collect();
        assert!((stretch(&all).unwrap() - 1.01).abs() < 1e-12);
        // half a millisecond's share of eight minutes, and of one mark
        assert!(stretch_u(&all).unwrap() < 1e-5);
        assert!((stretch_u(&all[..1]).unwrap() - SQRT_2 * 1e-3 / 1.2).abs() < 1e-12);
        let found = places(&all, 1.01 * (length_s() - 100.0));
        assert_eq!(found[..3], [None; 3]);
        for (place, cue) in found.iter().zip(cues).skip(3) {
            let [from, to] = place.unwrap();
            assert!((from - 1.01 * (cue.span_s[0] - 100.0)).abs() < 1e-9);
            assert!((to - 1.01 * (cue.span_s[1] - 100.0)).abs() < 1e-9);
        }
        assert_eq!(places(&[], 600.0), [None; 13]);
        // a recording that ends within a part does not hold it
        assert_eq!(places(&all, 60.0)[5..], [None; 8]);
    }
}
