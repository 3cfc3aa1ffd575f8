//! The bands of one recording: a line for each, and their document.

use super::text;
use crate::analysis::{self, Span, Tone};
use crate::chain;
use crate::document::Program;
use crate::job::BandKind;
use crate::spectrum::CrossSpectrum;
use crate::uncertainty::{Caveat, Quantity, Standing, rounded, rounded_u};
use crate::units::MICROSECOND;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What one band shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BandFound {
    /// Which it is, counted from 1.
    pub band: usize,
    /// Its start and its end, seconds from the start of the recording.
    pub span_s: [f64; 2],
    /// Level of the left and the right channel, root mean square against full scale; null of
    /// a channel without any signal, and where the band cannot be read.
    pub level_dbfs: [Option<f64>; 2],
    /// What it sounds like, as a job describes it: one channel 6 dB above the other is that channel alone, what holds
    /// nine tenths of the power above 200 Hz is a tone. Null where the band cannot be read.
    #[serde(default)]
    pub kind: Option<BandKind>,
    /// Offset between the channels as recorded, right after left; null where the band gives none.
    pub delay_us: Option<Quantity>,
    /// Why it gives none.
    pub refusal: Option<String>,
    /// Doubts.
    pub warnings: Vec<Caveat>,
}

impl BandFound {
    /// A band that is still to be read.
    pub fn of(index: usize, span: Span) -> Self {
        Self {
            band: index + 1,
            span_s: [span.from_s, span.to_s],
            level_dbfs: [None; 2],
            kind: None,
            delay_us: None,
            refusal: None,
            warnings: Vec::new(),
        }
    }

    /// The same with mean squares of its channels, full scale 1.
    pub fn with_powers(self, powers: [f64; 2]) -> Self {
        let db = |power: f64| (power > 0.0).then(|| 10.0 * power.log10());
        Self {
            level_dbfs: powers.map(db),
            ..self
        }
    }

    /// The same with what the band sounds like by its spectrum, and the strongest tone in it.
    pub fn with_kind(self, spectrum: &CrossSpectrum, tone: Option<Tone>) -> Self {
        let right_db = chain::balance_db(spectrum);
        let kind = match tone {
            _ if right_db > chain::SEPARATED_DB => BandKind::Right,
            _ if right_db < -chain::SEPARATED_DB => BandKind::Left,
            Some(tone) if tone.is_alone() => BandKind::Tone,
            _ => BandKind::Lateral,
        };
        Self {
            kind: Some(kind),
            ..self
        }
    }

    /// Whether one channel plays alone: what both have in common is then crosstalk, and tells no delay.
    pub fn is_of_one_channel(&self) -> bool {
        matches!(self.kind, Some(BandKind::Left | BandKind::Right))
    }

    /// The same with a delay and its standard uncertainty, seconds.
    pub fn with_delay(self, delay_s: f64, u_s: f64, coverage: f64, warnings: Vec<Caveat>) -> Self {
        let seconds = Quantity::normal(delay_s, u_s, coverage);
        Self {
            delay_us: Some(seconds.scaled(MICROSECOND.recip())),
            warnings,
            ..self
        }
    }
}

/// The bands of a recording, as `measure --bands --json` prints them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BandList {
    /// `groovelag/bands/1`.
    #[schemars(extend("const" = BandList::SCHEMA))]
    pub schema: String,
    /// What made it.
    pub program: Program,
    /// The recording as given.
    pub file: String,
    /// So far below the bands on both sides lies every pause, dB.
    pub depth_db: f64,
    /// The bands in their order.
    pub bands: Vec<BandFound>,
}

impl BandList {
    /// The document's schema identifier.
    pub const SCHEMA: &'static str = "groovelag/bands/1";

    /// The bands of `file`.
    pub fn new(file: &str, bands: Vec<BandFound>) -> Self {
        Self {
            schema: Self::SCHEMA.to_owned(),
            program: Program::this(),
            file: file.to_owned(),
            depth_db: analysis::depth_db(),
            bands,
        }
    }

    /// A line for each band, and what is doubtful of it below.
    pub fn text(&self, width: usize) -> String {
        let intro = format!(
            "Bands of {}, separated by pauses of a second or longer that lie {} dB or more below the bands beside them",
            self.file, self.depth_db
        );
        let mut out = text::wrapped("", &intro, width);
        out += "  band     from    length    level  kind           delay        u\n";
        for found in &self.bands {
            let [from, to] = found.span_s;
            let louder = found.level_dbfs.into_iter().flatten().reduce(f64::max);
            let level = louder.map_or_else(|| "-".to_owned(), |l| format!("{l:.1}"));
            let (delay, u) = match &found.delay_us {
                Some(q) => (
                    format!("{} us", rounded(q.value, q.standard_uncertainty)),
                    rounded_u(q.standard_uncertainty),
                ),
                None => ("-".to_owned(), "-".to_owned()),
            };
            let kind = match found.kind {
                Some(BandKind::Lateral) => "lateral",
                Some(BandKind::Left) => "left",
                Some(BandKind::Right) => "right",
                Some(BandKind::Tone) => "tone",
                Some(BandKind::Silent) => "silent",
                None => "-",
            };
            out += &format!(
                "{:>6} {:>8} {:>7.1} s {level:>5} dB  {kind:<8} {delay:>11} {u:>8}\n",
                found.band,
                minutes(from),
                to - from,
            );
            let doubt = Standing::of(&found.warnings).in_doubt();
            for why in found.refusal.iter().chain(&doubt) {
                out += &text::wrapped("         ", why, width);
            }
        }
        out += "\n";
        out += &text::wrapped(
            "",
            "Delays are as recorded, right after left; level: root mean square of the louder channel against full scale; kind: what the band sounds like. In a job, bands = [{ from = ..., to = ..., radius_mm = ... }, ...] makes each band a capture, and [record.NAME.band.NAME] with a kind says what else is on the side.",
            width,
        );
        out
    }
}

/// A time as people write it: `1:02.5`.
fn minutes(seconds: f64) -> String {
    let tenths = (10.0 * seconds).round() as u64;
    format!("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_written_in_minutes() {
        assert_eq!(minutes(0.0), "0:00.0");
        assert_eq!(minutes(62.5), "1:02.5");
        assert_eq!(minutes(3599.96), "60:00.0");
    }
}
