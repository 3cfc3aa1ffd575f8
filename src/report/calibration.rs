//! What a calibration found: balance, separation and phase over frequency.

use super::text;
use crate::chain::{Calibrated, Estimated, SourceFile};
use crate::document::Program;
use crate::uncertainty::{Caveat, Quantity, plain, rounded, rounded_u};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The document of `calibrate`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CalibrationReport {
    /// Name and version of the schema.
    #[schemars(extend("const" = CalibrationReport::SCHEMA))]
    pub schema: String,
    /// What made it.
    pub program: Program,
    /// The calibration file, as given.
    pub file: String,
    /// Its identifier, by which captures share its errors.
    pub id: String,
    /// Day of the captures.
    pub date: Option<String>,
    /// What it was made from.
    pub sources: Vec<SourceFile>,
    /// Band calibrated, hertz.
    pub band_hz: [f64; 2],
    /// The chain's response; null if it was not measured.
    pub common: Option<CommonReport>,
    /// The cartridge's crosstalk; null if it was not measured.
    pub crosstalk: Option<CrosstalkReport>,
    /// Doubts.
    pub warnings: Vec<Caveat>,
}

/// The chain's response, right over left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CommonReport {
    /// One channel is inverted against the other.
    pub inverted: bool,
    /// Time by which the right channel is late.
    pub skew_us: Quantity,
    /// Gain of the right channel over the left.
    pub balance_db: Quantity,
    /// Differences of parts, right minus left; which is off cannot be told.
    pub parts: Vec<PartReport>,
    /// What the channels share over what they do not, dB; infinite noise
    /// ratios do not occur.
    pub signal_to_noise_db: Option<f64>,
    /// Mean square of the residuals over what noise explains.
    pub scatter: f64,
    /// The response over frequency.
    pub curve: Vec<CommonPoint>,
}

/// The difference of one part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PartReport {
    /// Which part.
    pub part: String,
    /// Right minus left, percent.
    pub difference_percent: Quantity,
}

/// The chain's response at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CommonPoint {
    /// Frequency.
    pub hertz: f64,
    /// Phase of right over left, negative where the right is late.
    pub phase_deg: f64,
    /// Its standard uncertainty.
    pub phase_u_deg: f64,
    /// Phase as the parts alone make it.
    pub parts_deg: f64,
    /// Gain of right over left.
    pub gain_db: f64,
    /// Its standard uncertainty.
    pub gain_u_db: f64,
    /// Coherence (magnitude squared) about the frequency.
    pub coherence: f64,
}

/// The cartridge's crosstalk.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CrosstalkReport {
    /// Separation of the cutter that was assumed, dB.
    pub cutter_separation_db: f64,
    /// Standard uncertainty left in the scale of the delay.
    pub scale_u: f64,
    /// Mean square of the residuals over what noise explains.
    pub scatter: f64,
    /// Crosstalk over frequency.
    pub curve: Vec<CrosstalkPoint>,
}

/// The cartridge's crosstalk at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CrosstalkPoint {
    /// Frequency.
    pub hertz: f64,
    /// Left into right.
    pub left_into_right: RatioReport,
    /// Right into left.
    pub right_into_left: RatioReport,
}

/// A complex ratio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RatioReport {
    /// Separation, dB, positive.
    pub separation_db: f64,
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
    /// Standard uncertainty of each part.
    pub u: f64,
}

impl CalibrationReport {
    /// The document's schema identifier.
    pub const SCHEMA: &'static str = "groovelag/calibration/1";

    /// The document of a calibration written to `file`.
    pub fn new(made: &Calibrated, file: &str, coverage: f64) -> Self {
        let calibration = &made.calibration;
        let quantity = |e: &Estimated| Quantity::normal(e.value, e.u, coverage);
        let (low, high) = calibration.band_hz();
        let common = calibration.common.as_ref().map(|c| {
            let names = ["3180 us", "318 us", "75 us"];
            let load = ["coil inductance", "load resistance", "load capacitance"];
            let parts = names
                .iter()
                .zip(&c.equaliser_percent)
                .chain(load.iter().zip(c.load_percent.iter().flatten()))
                .map(|(part, e)| PartReport {
                    part: (*part).to_owned(),
                    difference_percent: quantity(e),
                })
                .collect();
            CommonReport {
                inverted: c.inverted,
                skew_us: quantity(&c.skew_us),
                balance_db: quantity(&c.balance_db),
                parts,
                signal_to_noise_db: made.common_signal_to_noise_db,
                scatter: c.scatter,
                curve: (0..c.hertz.len())
                    .map(|k| CommonPoint {
                        hertz: c.hertz[k],
                        phase_deg: c.phase_deg[k],
                        phase_u_deg: c.phase_u_deg[k],
                        parts_deg: made.parts_deg[k],
                        gain_db: c.gain_db[k],
                        gain_u_db: c.gain_u_db[k],
                        coherence: made.coherence[k],
                    })
                    .collect(),
            }
        });
        let scale_u = calibration.prior_changes().scale_u;
        let crosstalk = calibration.crosstalk.as_ref().map(|c| {
            let [to_right, to_left] = c.separation_db();
            CrosstalkReport {
                cutter_separation_db: c.cutter_separation_db,
                scale_u: scale_u.unwrap_or(0.0),
                scatter: c.scatter,
                curve: (0..c.hertz.len())
                    .map(|k| CrosstalkPoint {
                        hertz: c.hertz[k],
                        left_into_right: RatioReport {
                            separation_db: to_right[k],
                            re: c.left_into_right_re[k],
                            im: c.left_into_right_im[k],
                            u: c.left_into_right_u[k],
                        },
                        right_into_left: RatioReport {
                            separation_db: to_left[k],
                            re: c.right_into_left_re[k],
                            im: c.right_into_left_im[k],
                            u: c.right_into_left_u[k],
                        },
                    })
                    .collect(),
            }
        });
        Self {
            schema: Self::SCHEMA.to_owned(),
            program: Program::this(),
            file: file.to_owned(),
            id: calibration.id.clone(),
            date: calibration.date.clone(),
            sources: calibration.sources.clone(),
            band_hz: [low, high],
            common,
            crosstalk,
            warnings: made.caveats.clone(),
        }
    }

    /// The result in plain words, composed for `width` columns.
    pub fn text(&self, width: usize) -> String {
        let mut out = text::labelled(
            "Calibration",
            &format!(
                "{}, {:.0} to {:.0} Hz",
                self.file, self.band_hz[0], self.band_hz[1]
            ),
            width,
        );
        for source in &self.sources {
            let line = format!(
                "{} ({}), {} Hz, {:.1} s",
                source.file, source.kind, source.sample_rate_hz, source.duration_s
            );
            out.push_str(&text::labelled("", &line, width));
        }
        if let Some(common) = &self.common {
            common.text(&mut out, width);
        }
        if let Some(crosstalk) = &self.crosstalk {
            crosstalk.text(&mut out, width);
        }
        if !self.warnings.is_empty() {
            out.push_str("\nCaveats\n");
            out.push_str(&text::caveats(&self.warnings, width));
        }
        out
    }
}

fn value(quantity: &Quantity, unit: &str) -> String {
    let u = quantity.standard_uncertainty;
    format!(
        "{} {unit}, standard uncertainty {} {unit}",
        rounded(quantity.value, u),
        rounded_u(u)
    )
}

impl CommonReport {
    fn text(&self, out: &mut String, width: usize) {
        out.push_str("\nThe chain, right channel against left\n");
        out.push_str(&text::labelled(
            "Late by",
            &value(&self.skew_us, "us"),
            width,
        ));
        out.push_str(&text::labelled(
            "Louder by",
            &value(&self.balance_db, "dB"),
            width,
        ));
        for part in &self.parts {
            out.push_str(&text::labelled(
                &part.part,
                &value(&part.difference_percent, "%"),
                width,
            ));
        }
        out.push_str(&text::labelled(
            "",
            "Parts are differences, right minus left; which channel is off is unknown.",
            width,
        ));
        let columns: [Column<CommonPoint>; 6] = [
            ("Hz", 8, |p| plain(p.hertz, 0)),
            ("phase/deg", 12, |p| plain(p.phase_deg, 3)),
            ("u", 10, |p| plain(p.phase_u_deg, 4)),
            ("by parts", 10, |p| plain(p.parts_deg, 3)),
            ("gain/dB", 10, |p| plain(p.gain_db, 3)),
            ("coherence", 11, |p| plain(p.coherence, 6)),
        ];
        out.push('\n');
        out.push_str(&table(&columns, &self.curve, width));
    }
}

/// Heading, width and words of a column.
type Column<T> = (&'static str, usize, fn(&T) -> String);

/// Every third point, in as many of the columns as there is room for.
fn table<T>(columns: &[Column<T>], points: &[T], width: usize) -> String {
    let mut used = 0;
    let shown: Vec<&Column<T>> = columns
        .iter()
        .take_while(|c| {
            used += c.1;
            used <= width
        })
        .collect();
    let heads = shown.iter().map(|(head, w, _)| format!("{head:>w$}"));
    let mut out = heads.collect::<String>() + "\n";
    for p in points.iter().step_by(3) {
        let cells = shown
            .iter()
            .map(|(_, w, words)| format!("{:>w$}", words(p)));
        out += &(cells.collect::<String>() + "\n");
    }
    out
}

impl RatioReport {
    /// Its angle in degrees.
    fn turned(&self) -> String {
        plain(self.im.atan2(self.re).to_degrees(), 0)
    }
}

impl CrosstalkReport {
    fn text(&self, out: &mut String, width: usize) {
        out.push('\n');
        out.push_str(&text::wrapped(
            "",
            "The cartridge's channel separation (the cutter's own crosstalk included)",
            width,
        ));
        out.push_str(&text::wrapped(
            "",
            "In dB, with the phase in degrees: L>R left into right, R>L right into left.",
            width,
        ));
        let columns: [Column<CrosstalkPoint>; 5] = [
            ("Hz", 8, |p| plain(p.hertz, 0)),
            ("L>R/dB", 8, |p| plain(p.left_into_right.separation_db, 1)),
            ("deg", 8, |p| p.left_into_right.turned()),
            ("R>L/dB", 8, |p| plain(p.right_into_left.separation_db, 1)),
            ("deg", 8, |p| p.right_into_left.turned()),
        ];
        out.push('\n');
        out.push_str(&table(&columns, &self.curve, width));
        out.push_str(&text::wrapped(
            "",
            &format!(
                "Once corrected, the delay's scale is known to {} %, limited mainly by the {:.0} dB assumed for the cutter.",
                rounded_u(100.0 * self.scale_u),
                self.cutter_separation_db
            ),
            width,
        ));
    }
}
