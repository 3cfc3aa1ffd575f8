//! Plain text for a terminal or a file: composed for 80 columns, nothing
//! depends on colour.

use super::sentence::{Piece, Sentence, plain_text, words};
use crate::job::{ArmOf, ArmParameters, ArmResult, Comparison, PassResult};
use crate::uncertainty::{
    BudgetLine, Caveat, Conformity, Direction, IntervalShape, Level, Quantity, plain, rounded,
    rounded_u,
};

/// Columns composed for when the terminal does not say.
pub const DEFAULT_WIDTH: usize = 80;
/// Columns that words need beside a label (common practice, no source).
const LEAST_ROOM: usize = 20;
/// Budget lines with a smaller share are summed up in one.
const SMALL_SHARE: f64 = 0.005;

/// Breaks `text` into lines of at most `width` columns, the first one after
/// `first`, the others after as many blanks.
pub fn wrapped(first: &str, text: &str, width: usize) -> String {
    let mut indent = first.chars().count();
    let mut out = String::from(first);
    if indent + LEAST_ROOM > width && !first.trim().is_empty() {
        // a narrow terminal has the label on a line of its own
        out = format!("{}\n  ", first.trim_end());
        indent = 2;
    }
    let room = width.saturating_sub(indent).max(1);
    let mut column = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column > 0 && column + 1 + length > room {
            out.push('\n');
            out.push_str(&" ".repeat(indent));
            column = 0;
        }
        if column > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out.push('\n');
    out
}

/// A labelled line: the label in the first twelve columns.
pub fn labelled(label: &str, text: &str, width: usize) -> String {
    wrapped(&format!("{label:<12}"), text, width)
}

/// A direction in words.
pub fn direction(direction: Direction) -> &'static str {
    match direction {
        Direction::Clockwise => "clockwise",
        Direction::Anticlockwise => "anticlockwise",
        Direction::NoneResolved => "no direction resolved",
    }
}

/// What a direction looks like at the turntable.
pub fn direction_at_the_arm(direction: Direction) -> &'static str {
    match direction {
        Direction::Clockwise => "front of the cartridge towards the spindle",
        Direction::Anticlockwise => "front of the cartridge away from the spindle",
        Direction::NoneResolved => "the band contains zero",
    }
}

/// An angle with its direction, as people say it.
pub fn angle(quantity: &Quantity) -> String {
    let size = rounded(quantity.value.abs(), quantity.standard_uncertainty);
    match Direction::of(quantity.value) {
        Direction::Clockwise => format!("{size} degrees clockwise"),
        _ => format!("{size} degrees anticlockwise"),
    }
}

/// A rotation's value with its direction in words, short.
pub fn rotation(quantity: &Quantity) -> String {
    match Direction::resolved(quantity) {
        Direction::NoneResolved => brief(quantity),
        resolved => format!(
            "{} degrees {}",
            rounded(quantity.value.abs(), quantity.standard_uncertainty),
            sense(resolved)
        ),
    }
}

/// A value with its direction, or without one where none is resolved.
pub fn brief(quantity: &Quantity) -> String {
    match Direction::resolved(quantity) {
        Direction::NoneResolved => format!(
            "{} degrees, no direction resolved",
            rounded(quantity.value.abs(), quantity.standard_uncertainty)
        ),
        _ => angle(quantity),
    }
}

/// A direction as seen from above and at the cartridge.
pub fn sense(way: Direction) -> String {
    match way {
        Direction::NoneResolved => "in no resolved direction".to_owned(),
        _ => format!(
            "{} seen from above ({})",
            direction(way),
            direction_at_the_arm(way)
        ),
    }
}

/// A turn with its standard uncertainty and band, short.
pub fn turn(quantity: &Quantity) -> String {
    format!(
        "{}, u {}, {}",
        angle(quantity),
        rounded_u(quantity.standard_uncertainty),
        turn_band(quantity)
    )
}

/// What a pass tells beside its captures, a sentence each.
pub fn pass(pass: &PassResult) -> Vec<String> {
    let brief = |q: &Quantity, unit: &str| {
        let u = q.standard_uncertainty;
        format!("{} {unit} (u {})", rounded(q.value, u), rounded_u(u))
    };
    let pair = |values: [Option<f64>; 2]| {
        values.map(|v| v.map_or_else(|| "-".to_owned(), |v| plain(v, 1)))
    };
    let mut lines = Vec::new();
    if let Some(rpm) = &pass.speed_rpm {
        lines.push(format!("speed {} from its marks", brief(rpm, "rpm")));
    }
    for tone in &pass.tones {
        let mut words = format!("band {}: {:.2} Hz", tone.band, tone.hertz);
        if let Some(rpm) = &tone.speed_rpm {
            words += &format!(", which is {}", brief(rpm, "rpm"));
        }
        if let (Some(change), Some(off)) = (&tone.once_around_percent, &tone.eccentricity_mm) {
            words += &format!(
                "; it changes by {} % either way once per revolution, as a hole {} off centre would cause on a steady turntable",
                plain(change.value, 3),
                brief(off, "mm")
            );
        }
        lines.push(words);
    }
    if let Some(told) = &pass.crosstalk {
        let bands = told.bands.join(", ");
        let size = told.separation_db.map_or_else(String::new, |db| {
            let [to_right, to_left] = db.map(|db| plain(db, 1));
            format!("separation at 1 kHz {to_right} dB left into right, {to_left} dB right into left (the cutter's crosstalk included); ")
        });
        let use_of_it = match told.applied {
            true => "removed from the captures of this pass",
            false => "not used, since the chain states a calibration of its own",
        };
        lines.push(format!(
            "crosstalk from the bands {bands}: {size}{use_of_it}"
        ));
    }
    if let Some(reason) = &pass.crosstalk_missing {
        lines.push(format!("no crosstalk found: {reason}"));
    }
    for noise in &pass.noise {
        let [left, right] = pair(noise.below_programme_db);
        let [l, r] = pair(noise.level_within_dbfs);
        lines.push(format!(
            "band {}: noise from 100 Hz to 15 kHz {left} dB (left) and {right} dB (right) below the captures, at {l} and {r} dB against full scale",
            noise.band
        ));
    }
    lines
}

/// A unit as it follows a number, if there is one.
pub fn after_number(unit: &str) -> String {
    match unit {
        "" => String::new(),
        unit => format!(" {unit}"),
    }
}

/// A value with its standard uncertainty and band, short.
pub fn quantity(quantity: &Quantity, unit: &str) -> String {
    let unit_after = after_number(unit);
    if quantity.standard_uncertainty == 0.0 {
        return format!("{} (taken as exact){unit_after}", plain(quantity.value, 3));
    }
    format!(
        "{}{unit_after}, u {}, {}",
        rounded(quantity.value, quantity.standard_uncertainty),
        rounded_u(quantity.standard_uncertainty),
        band(quantity, unit)
    )
}

/// A coverage in percent: "95", "99.9".
pub fn coverage_percent(coverage: f64) -> String {
    let percent = plain(100.0 * coverage, 2);
    percent
        .trim_end_matches('0')
        .trim_end_matches('.')
        .to_owned()
}

/// A band with its coverage: "95 % band -0.12 to 4.90".
pub fn band(quantity: &Quantity, unit: &str) -> String {
    plain_text(&band_in_pieces(quantity, unit))
}

/// The same in pieces: its ends are "lower" and "upper".
pub fn band_in_pieces(quantity: &Quantity, unit: &str) -> Sentence {
    bounded(quantity, |lower, upper| {
        let [lower, upper] = ends(quantity, lower, upper, |end| end);
        vec![lower, " to ".into(), upper, after_number(unit).into()]
    })
}

/// The ends of a band, written as `shown` has them.
fn ends(quantity: &Quantity, lower: f64, upper: f64, shown: impl Fn(f64) -> f64) -> [Piece; 2] {
    [("lower", lower), ("upper", upper)].map(|(key, end)| {
        let shown = rounded(shown(end), quantity.standard_uncertainty);
        Piece::number(key, end, shown)
    })
}

/// A band with its coverage, whose bounds `within` writes.
fn bounded(quantity: &Quantity, within: impl FnOnce(f64, f64) -> Sentence) -> Sentence {
    let interval = &quantity.interval;
    let (band, bounds) = match (interval.shape, interval.lower, interval.upper) {
        (IntervalShape::Finite, Some(lower), Some(upper)) => (" % band ", within(lower, upper)),
        (IntervalShape::Outer, Some(lower), Some(upper)) => {
            (" % band: anything except ", within(lower, upper))
        }
        _ => (" % band: any value; the data exclude nothing", Vec::new()),
    };
    let mut sentence = words(coverage_percent(interval.coverage) + band);
    sentence.extend(bounds);
    sentence
}

/// The band of an angle with directions in words: "95 % band 0.9 to 5.8 degrees clockwise".
pub fn turn_band(quantity: &Quantity) -> String {
    plain_text(&turn_band_in_pieces(quantity))
}

/// The same in pieces: its ends are "lower" and "upper", without their sign.
pub fn turn_band_in_pieces(quantity: &Quantity) -> Sentence {
    let way = |v: f64| Piece::from(format!(" degrees {}", direction(Direction::of(v))));
    bounded(quantity, |lower, upper| {
        let ([low, high], to) = (ends(quantity, lower, upper, f64::abs), Piece::from(" to "));
        if lower < 0.0 && upper > 0.0 {
            vec![low, way(lower), to, high, way(upper)]
        } else if upper > 0.0 {
            vec![low, to, high, way(upper)]
        } else {
            vec![high, to, low, way(lower)]
        }
    })
}

/// A conformity statement.
pub fn conformity(c: &Conformity) -> String {
    let verdict = c.verdict.word();
    format!(
        "{verdict} to +-{} degrees, stylus to body: inside with a probability of {} (JCGM 106)",
        c.tolerance_deg,
        probability(c.probability)
    )
}

/// A probability in percent; none that rounds to certainty is called so.
pub fn probability(p: f64) -> String {
    if p > 0.999 {
        "more than 99.9 %".to_owned()
    } else if p < 0.001 {
        "less than 0.1 %".to_owned()
    } else {
        format!("{} %", plain(100.0 * p, 1))
    }
}

/// A budget as a table, the largest line first.
pub fn budget(lines: &[BudgetLine], unit: &str, width: usize) -> String {
    let name_width = width.saturating_sub(28).clamp(20, 52);
    let mut out = String::new();
    let mut row = |name: &str, u: f64, share: f64| {
        let shown = format!(
            "{:>9} {unit:<4}{:>6} %\n",
            rounded_u(u),
            plain(100.0 * share, 1)
        );
        let name = wrapped("  ", name, name_width + 2);
        let name = name.trim_end();
        let last = name.rsplit('\n').next().map_or(0, |l| l.chars().count());
        out.push_str(name);
        out.push_str(&" ".repeat((name_width + 2).saturating_sub(last)));
        out.push_str(&shown);
    };
    let mut small = (0, 0.0, 0.0);
    for line in lines {
        if line.share < SMALL_SHARE {
            small.0 += 1;
            small.1 += line.standard_uncertainty.powi(2);
            small.2 += line.share;
        } else {
            row(&line.source, line.standard_uncertainty, line.share);
        }
    }
    if small.0 > 0 {
        row(
            &format!("{} smaller ones together", small.0),
            f64::sqrt(small.1),
            small.2,
        );
    }
    out
}

/// Caveats, the most serious first; notes of one kind together, everything else by itself.
pub fn grouped(list: &[Caveat]) -> Vec<Vec<&Caveat>> {
    let mut sorted: Vec<&Caveat> = list.iter().collect();
    sorted.sort_by_key(|c| std::cmp::Reverse(c.level));
    let mut groups: Vec<Vec<&Caveat>> = Vec::new();
    for c in sorted {
        let alike = |group: &&mut Vec<&Caveat>| {
            c.level == Level::Note && (group[0].level, group[0].code) == (c.level, c.code)
        };
        match groups.iter_mut().find(alike) {
            Some(group) => group.push(c),
            None => groups.push(vec![c]),
        }
    }
    groups
}

/// Caveats as a list. Of notes of one kind the first is shown, and how many more there are.
pub fn caveats(list: &[Caveat], width: usize) -> String {
    let mut out = String::new();
    for group in grouped(list) {
        let c = group[0];
        let mut message = c.message.clone();
        match group.len() - 1 {
            0 => {}
            1 => message += " (and one more of this kind: --json has it)",
            n => message += &format!(" (and {n} more of this kind: --json has them)"),
        }
        let level = match c.level {
            Level::Note => "note",
            Level::Caution => "caution",
            Level::Serious => "SERIOUS",
        };
        out += &wrapped(&format!("  {level:<8}"), &message, width);
    }
    out
}

/// The first lines of a result that is in doubt, composed for `width` columns; empty
/// where it is not.
pub fn in_doubt(doubt: Option<&str>, width: usize) -> String {
    doubt.map_or_else(String::new, |doubt| {
        wrapped("", doubt, width) + &wrapped("", WHILE_IN_DOUBT, width) + "\n"
    })
}

/// What the figures of a result in doubt are worth.
pub const WHILE_IN_DOUBT: &str =
    "The figures below assume that every entry and recording is right: do not act on them.";

/// What known turns alone tell: what stands before the turn, and after it.
pub const ZERO_SETTING: [&str; 2] = [
    "From the captures at known turns alone, the two channels would read together at a turn of ",
    " from this setup. That is the zero of the whole delay on this record, including its cut and all skews",
];

/// Why nobody should turn by it.
pub const ZERO_IS_NO_ADVICE: &str = ": do not turn by it; the instruction above leaves these out";

/// A stated arm where a setup was played.
pub fn arm(of: &ArmOf, pivoted: Option<&ArmResult>) -> Option<String> {
    match of {
        ArmOf::Tangential => Some("tangential: no tracking error".to_owned()),
        ArmOf::NullRadius => Some("at one of its null radii: no tracking error".to_owned()),
        ArmOf::Unknown | ArmOf::Pivoted(_) => pivoted.map(pivoted_arm),
    }
}

fn pivoted_arm(arm: &ArmResult) -> String {
    let nulls = match arm.null_radii_mm {
        Some([inner, outer]) => format!("null radii {inner:.1} and {outer:.1} mm"),
        None => "no null radii: check its dimensions".to_owned(),
    };
    let error = arm.tracking_error_deg;
    format!(
        "tracking error {} degrees {} at {} mm; {nulls}",
        plain(error.abs(), 2),
        direction(Direction::of(error)),
        plain(arm.radius_mm, 1)
    )
}

/// A stated arm as the recordings have it.
pub fn arm_known(arm: &ArmParameters) -> String {
    let advice = arm.overhang_correction_mm.map_or_else(String::new, |mm| {
        format!(
            ". The arm is not set as stated: move the stylus {} mm {} the pivot before you turn the cartridge, or correct the stated overhang",
            plain(mm.abs(), 1),
            if mm > 0.0 { "away from" } else { "towards" }
        )
    });
    format!(
        "overhang stated {} mm, found {}; offset angle stated {} degrees, {} with the recordings, which determine it only together with the cartridge's rotation in the headshell{advice}",
        plain(arm.overhang_stated_mm, 2),
        quantity(&arm.overhang_mm, "mm"),
        plain(arm.offset_stated_deg, 2),
        quantity(&arm.offset_deg, "degrees"),
    )
}

/// The turn that was due, and whether what was done agrees with it.
pub fn turn_due(c: &Comparison) -> Option<String> {
    let due = c.due_deg?;
    let change = &c.change_deg;
    let words = format!(
        "a turn of {} degrees {} was due",
        plain(due.abs(), 1),
        direction(Direction::of(due))
    );
    Some(match Direction::resolved(change) {
        Direction::NoneResolved => format!("{words}, but no change shows"),
        way if way == Direction::of(due) => words,
        _ => format!("{words}; this one went the wrong way"),
    })
}

/// What the figure is, shown with every rotation.
pub const MEASURAND: &str = "The rotation is the effective angle of the playing edges to the groove under tracking force, bias force and drag. It contains cantilever yaw and the product of rake and azimuth tilt, so a microscope on the bench may see another angle. No single recording shows that left and right are exchanged, or that the recorder delays one channel: for the delay, record again with the leads swapped. A blend of the channels shows only where the recording has a pause: keep a second of the lead-in groove. The rotation is evidence, not a verdict; the maker's own inspection decides.";

/// Cautions, shown with every correction.
pub const CAUTIONS: &str = "Before touching the cartridge: mute the amplifier, fit the stylus guard or keep clear of the stylus, keep iron tools away from its magnet, leave mains and earth leads as they are, and follow the maker's instructions first.";
