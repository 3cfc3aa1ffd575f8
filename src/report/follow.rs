//! What is known while a record plays.

use super::{Measurement, text};
use crate::analysis::follow::SignalLevel;
use crate::session::{PreviousStretch, StreamEstimate};
use crate::uncertainty::{Caveat, Level, Outlook, Prospect, Quantity, plain, rounded, rounded_u};

impl PreviousStretch {
    /// What was before, and the change since.
    fn parts(&self) -> Vec<(&'static str, String)> {
        let [start, end] = self.span_s;
        let words = |quantity: &Quantity| {
            let band = text::turn_band(quantity);
            format!("{}, {band}", text::brief(quantity))
        };
        let before = format!(
            "{}; from {start:.1} s to {end:.1} s",
            words(&self.rotation_deg)
        );
        let mut parts = vec![("Before", before)];
        parts.extend(self.change_deg.as_ref().map(|q| ("Change", words(q))));
        parts
    }
}

/// The rotation, or with a spherical tip that of the cut.
fn angle<'a>(
    rotation: &'a Option<Quantity>,
    cut: &'a Option<Quantity>,
) -> Option<(&'static str, &'a Quantity)> {
    let rotation = rotation.as_ref().map(|q| ("Rotation", q));
    rotation.or(cut.as_ref().map(|q| ("Cut", q)))
}

impl StreamEstimate {
    /// The state as label and words, for a terminal.
    fn parts(&self) -> Vec<(&'static str, String)> {
        let mut parts = Vec::new();
        let mut before = self.before.iter().flat_map(PreviousStretch::parts);
        parts.extend(before.next());
        match angle(&self.rotation_deg, &self.cut_rotation_deg) {
            Some((label, quantity)) => parts.push((
                if self.before.is_some() { "Now" } else { label },
                format!(
                    "{}, {}; from {:.1} s of programme",
                    text::brief(quantity),
                    text::turn_band(quantity),
                    self.programme_s
                ),
            )),
            None => parts.push(("Rotation", "no estimate yet".to_owned())),
        }
        parts.extend(before);
        if let Some(recent) = &self.recent
            && let Some((_, quantity)) = angle(&recent.rotation_deg, &recent.cut_rotation_deg)
        {
            parts.push((
                "Just now",
                format!(
                    "{}, u {} from noise alone; latest {:.1} s",
                    text::brief(quantity),
                    rounded_u(quantity.standard_uncertainty),
                    recent.span_s[1] - recent.span_s[0]
                ),
            ));
        }
        if let Some(delay) = &self.delay_us {
            parts.push((
                "Delay",
                format!(
                    "{} us, u {} us; radius {:.1} mm",
                    rounded(delay.value, delay.standard_uncertainty),
                    rounded_u(delay.standard_uncertainty),
                    self.radius_mm
                ),
            ));
        }
        parts.push(("Signal", signal(&self.signal)));
        parts.push(("Health", health(&self.health)));
        if let Some(outlook) = &self.outlook {
            parts.push(("More time", more_time(outlook)));
        }
        if self.rotation_deg.is_some() {
            parts.push(("What to do", AT_THE_END.to_owned()));
        }
        parts
    }

    /// The state as a block of lines for a terminal of `width` columns.
    pub fn block(&self, width: usize) -> String {
        let time = format!("{:.1} s of stream", self.stream_s);
        let parts = self.parts().into_iter();
        std::iter::once(("Following", time))
            .chain(parts)
            .map(|(label, words)| text::labelled(label, &words, width))
            .collect()
    }
}

fn signal(signal: &SignalLevel) -> String {
    let db = |v: Option<f64>| v.map_or("none".to_owned(), |v| format!("{} dB", plain(v, 1)));
    let peak = match (signal.left_peak_dbfs, signal.right_peak_dbfs) {
        (Some(left), Some(right)) => Some(left.max(right)),
        (left, right) => left.or(right),
    };
    format!(
        "left {}, right {}, peak {} of full scale",
        db(signal.left_dbfs),
        db(signal.right_dbfs),
        db(peak)
    )
}

fn health(list: &[Caveat]) -> String {
    if list.is_empty() {
        return "good".to_owned();
    }
    let mut words: Vec<String> = list
        .iter()
        .take(HEALTH_SHOWN)
        .map(|caveat| match caveat.level {
            Level::Serious => format!("SERIOUS: {}", caveat.message),
            _ => caveat.message.clone(),
        })
        .collect();
    if list.len() > HEALTH_SHOWN {
        words.push(format!("And {} more", list.len() - HEALTH_SHOWN));
    }
    words.join(". ")
}

/// The figure while it plays is not what the cartridge is turned by.
const AT_THE_END: &str = "end the stream (Ctrl-C) to see how far to turn; the rotation above is to the groove and includes the arm's tracking error";

/// Doubts shown while it plays, the most serious: all of them might not fit the screen.
const HEALTH_SHOWN: usize = 3;

/// Lines of the smallest usual screen, less one for the prompt (common practice, no source).
const SCREEN_LINES: usize = 24 - 1;

/// The last word on a terminal: the answer at the end, where the eye is, and above it as
/// much of the rest as fits the screen, the most important first.
pub fn last_word(
    measurement: &Measurement,
    before: Option<&PreviousStretch>,
    width: usize,
) -> String {
    let mut warnings: Vec<&Caveat> = measurement.warnings.iter().collect();
    warnings.sort_by_key(|caveat| std::cmp::Reverse(caveat.level));
    let (spoken, notes): (Vec<_>, Vec<_>) =
        (warnings.into_iter()).partition(|c| c.level > Level::Note);
    // as they stand on the screen, each with its rank
    let mut parts = vec![
        (0, text::in_doubt(measurement.in_doubt.as_deref(), width)),
        (5, measurement.recording(width)),
        (4, measurement.delay(width)),
    ];
    // the first serious one stands in the first line
    let mut doubts = measurement.in_doubt.iter();
    for caveat in spoken {
        if caveat.level == Level::Serious && doubts.next().is_some() {
            continue;
        }
        let rank = if caveat.level == Level::Serious { 1 } else { 3 };
        parts.push((rank, text::caveats(std::slice::from_ref(caveat), width)));
    }
    let caveats = 3..parts.len();
    let changes = before.map(PreviousStretch::parts).unwrap_or_default();
    let changes = changes
        .iter()
        .map(|(label, words)| text::labelled(label, words, width));
    parts.extend(changes.map(|text| (2, text)));
    if measurement.correction.is_some() {
        parts.push((0, text::wrapped("", text::CAUTIONS, width)));
    }
    parts.push((2, measurement.beside(width)));
    let instruction = measurement.situation().map(|s| s.instruction().brief());
    let advice = measurement.advice(instruction, width);
    parts.push((0, measurement.angles(width) + &advice));
    // one line says how many caveats are left out
    let mut room = SCREEN_LINES - 1;
    let mut order: Vec<usize> = (0..parts.len()).collect();
    order.sort_by_key(|&k| (parts[k].0, k));
    let mut shown = vec![false; parts.len()];
    for k in order {
        let lines = parts[k].1.lines().count();
        shown[k] = lines <= room;
        room -= if shown[k] { lines } else { 0 };
    }
    let left_out = notes.len() + caveats.clone().filter(|&k| !shown[k]).count();
    let mut out = String::new();
    for (k, (_, part)) in parts.iter().enumerate() {
        if k == caveats.end && left_out > 0 {
            let plural = if left_out == 1 { "" } else { "s" };
            out += &format!(
                "  {left_out} more caveat{plural}; measure and --json show all
"
            );
        }
        if shown[k] {
            out += part;
        }
    }
    out
}

/// Whole seconds, or minutes and seconds.
pub(super) fn duration(seconds: f64) -> String {
    let seconds = seconds.ceil();
    match seconds {
        s if s >= 36_000.0 => "more than ten hours".to_owned(),
        s if s >= 120.0 => format!("{:.0} min {:02.0} s", (s / 60.0).floor(), s % 60.0),
        s => format!("{s:.0} s"),
    }
}

fn more_time(outlook: &Outlook) -> String {
    let noise = format!(
        "noise is {} % of the variance",
        plain(100.0 * outlook.noise_share, 1)
    );
    let rest = format!("{} degrees", rounded_u(outlook.remaining));
    let seconds = outlook.seconds.map(duration).unwrap_or_default();
    match (outlook.prospect, outlook.wanted) {
        (Prospect::Reached, Some(wanted)) => {
            format!("the requested {wanted} degrees are reached; {noise}")
        }
        (Prospect::Reached, None) => {
            format!("would not help: {noise}; u {rest} from the cut, chain and stylus remains")
        }
        (Prospect::MoreTime, Some(wanted)) => {
            format!("{seconds} to the requested {wanted} degrees; {noise}")
        }
        (Prospect::MoreTime, None) => {
            format!("{seconds} until noise no longer matters; {noise}, u {rest} will remain")
        }
        (Prospect::OutOfReach, _) => format!(
            "cannot help: u {rest} from the cut, chain and stylus remains; {noise}. 'groovelag plan' shows captures that would"
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::outlook;

    #[test]
    fn times_and_what_they_bring() {
        assert_eq!(duration(0.2), "1 s");
        assert_eq!(duration(119.5), "2 min 00 s");
        assert_eq!(duration(1e9), "more than ten hours");
        for (noise, rest, wanted, says) in [
            (0.1, 1.0, None, "would not help"),
            (1.0, 1.0, None, "80 s until noise"),
            (1.0, 1.0, Some(0.9), "cannot help"),
            (1.0, 1.0, Some(1.5), "are reached"),
            (3.0, 3.0, Some(10.0_f64.sqrt()), "to the requested 3.16"),
        ] {
            let words = more_time(&outlook(noise, rest, 10.0, wanted));
            assert!(words.contains(says), "{words}");
        }
    }
}
