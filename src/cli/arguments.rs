//! What people type for a capture, read into validated values.

use clap::Args;
use groovelag::analysis::Request;
use groovelag::capture::{self, RawFormat, Source};
use groovelag::delay;
use groovelag::groove::{self, CONTACT_SPACINGS_UM, FRONTAL_RADII_UM, SIDE_RADII_UM};
use groovelag::job::Alignment;
use groovelag::outside::nearest;
use groovelag::report::start::{AnyArm, ArmDimensions, TipAnswer};
use groovelag::units::{
    DEGREE, MILLIMETRE, parse_length_mm, parse_number, parse_radius_mm, parse_rpm, parse_seconds,
    written,
};
use std::ffi::OsString;
use std::ops::RangeInclusive;

/// A radius, or the radii at the start and the end of the analysed part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Radii {
    pub start_mm: f64,
    pub end_mm: f64,
}

/// `72`, `75..70`, units as in [`parse_radius_mm`].
pub fn radii(text: &str) -> Result<Radii, String> {
    let one = |t: &str| {
        let mm = parse_radius_mm(t).map_err(|e| e.to_string())?;
        // From inside a label to beyond a 16-inch transcription disc.
        if (20.0..=250.0).contains(&mm) {
            Ok(mm)
        } else if (2.0..8.0).contains(&mm) {
            Err(format!(
                "a groove radius of {} mm is too small; if it is in inches write {t}in",
                written(mm)
            ))
        } else {
            Err(format!(
                "a groove radius of {} mm is not between 20 and 250 mm; give the distance from the spindle's centre to the groove in millimetres",
                written(mm)
            ))
        }
    };
    let (start, end) = text.split_once("..").unwrap_or((text, text));
    Ok(Radii {
        start_mm: one(start)?,
        end_mm: one(end)?,
    })
}

/// Nobody's value: says how a diameter is written.
pub fn diameter(text: &str) -> Result<String, String> {
    Err(format!("write the diameter as --radius d{text}"))
}

/// A speed between 10 and 100 revolutions per minute.
pub fn rpm(text: &str) -> Result<f64, String> {
    let value = parse_rpm(text).map_err(|e| e.to_string())?;
    if (10.0..=100.0).contains(&value) {
        Ok(value)
    } else {
        Err(format!(
            "{} rpm is not a speed records are played at; give 33, 45 or 78.26",
            written(value)
        ))
    }
}

/// Micrometres in a thousandth of an inch, in which older data state sizes.
const MIL_UM: f64 = 25.4;

/// What is typed for a tip or an arm that nothing is known of.
pub const UNKNOWN: &str = "unknown";

/// `spherical:R`, `elliptical:RxR` or `line:SPACINGxR`; sizes in micrometres, or
/// in thousandths of an inch with `mil` behind them; a shape alone, or `unknown`.
/// `conical` is what many suppliers call a spherical tip.
pub fn stylus(text: &str) -> Result<TipAnswer, String> {
    const FORMS: &str = "spherical:R, elliptical:RxR (frontal x side radius) or line:SPACINGxR (contact spacing x side radius), in micrometres, or in thousandths of an inch with 'mil' behind them; or the shape alone, or unknown";
    let text = text.trim();
    if let Some((shape, sizes)) = text.split_once(':') {
        return match SHAPES.contains(&shape) || shape == CONICAL {
            true => tip(shape, sizes).map_err(|e| format!("'{text}': {e}")),
            false => Err(match nearest(shape, SHAPES.iter().copied()) {
                Some(near) => format!("'{shape}' is not a tip shape; did you mean '{near}'?"),
                None => format!("'{shape}' is not a tip shape; write {FORMS}"),
            }),
        };
    }
    let digit = text.starts_with(|c: char| c.is_ascii_digit());
    match text {
        UNKNOWN => Ok(TipAnswer::Unknown),
        "spherical" | CONICAL => Ok(TipAnswer::Spherical(None)),
        "elliptical" => Ok(TipAnswer::Elliptical(None)),
        "line" => Ok(TipAnswer::Line(None)),
        "round" => Err("a round tip is called spherical here".to_owned()),
        _ if digit && text.contains(['x', 'X']) => Err(format!(
            "'{text}' names no shape; for an elliptical tip write elliptical:{text}"
        )),
        _ if digit => Err(format!("'{text}' names no shape; write {FORMS}")),
        _ => Err(match nearest(text, SHAPES.iter().copied()) {
            Some(near) => format!("'{text}' is not a tip; did you mean '{near}'?"),
            None => format!("'{text}' is not of the form {FORMS}"),
        }),
    }
}

/// Shapes that have sizes.
const SHAPES: &[&str] = &["spherical", "elliptical", "line"];

/// What the trade calls a spherical tip as well.
const CONICAL: &str = "conical";

/// A tip of one of the [`SHAPES`] with its sizes: `R`, or `RxR`, micrometres, or thousandths of
/// an inch with `mil` behind them.
pub fn tip(shape: &str, sizes: &str) -> Result<TipAnswer, String> {
    let (numbers, unit_um) = match sizes.trim().strip_suffix("mil") {
        Some(mils) => (mils, MIL_UM),
        None => (sizes.trim(), 1.0),
    };
    let size = |t: &str| -> Result<f64, String> {
        let um = parse_number(t.trim().trim_end_matches("um"), "a size in micrometres");
        Ok(unit_um * um.map_err(|e| e.to_string())?)
    };
    let made = |what: &str, um: f64, range: RangeInclusive<f64>| {
        if range.contains(&um) {
            return Ok(());
        }
        Err(format!(
            "no tip has a {what} of {} um (they are {} to {} um); sizes are in micrometres, or in thousandths of an inch with 'mil' behind them: 0.7x0.3mil",
            written(um),
            range.start(),
            range.end()
        ))
    };
    let pair = |what: &str| -> Result<(f64, f64), String> {
        let (a, b) = numbers
            .split_once(['x', 'X'])
            .ok_or_else(|| format!("give two sizes joined by 'x', {what}"))?;
        Ok((size(a)?, size(b)?))
    };
    match shape {
        "elliptical" => {
            let (frontal, side) = pair("the frontal radius first: 18x8")?;
            if side > frontal {
                return Err(format!(
                    "the side radius {} um exceeds the frontal radius {} um; write the frontal radius first",
                    written(side),
                    written(frontal)
                ));
            }
            made("frontal radius", frontal, FRONTAL_RADII_UM)?;
            made("side radius", side, SIDE_RADII_UM)?;
            Ok(TipAnswer::Elliptical(Some((frontal, side))))
        }
        "line" => {
            let (spacing, side) = pair("the contact spacing first: 40x5")?;
            if side * std::f64::consts::SQRT_2 >= spacing {
                return Err(format!(
                    "the contact spacing {} um must exceed 1.41 times the side radius of {} um; write the spacing first",
                    written(spacing),
                    written(side)
                ));
            }
            made("contact spacing", spacing, CONTACT_SPACINGS_UM)?;
            made("side radius", side, SIDE_RADII_UM)?;
            Ok(TipAnswer::Line(Some((spacing, side))))
        }
        _ => {
            let radius = size(numbers)?;
            made("radius", radius, FRONTAL_RADII_UM)?;
            Ok(TipAnswer::Spherical(Some(radius)))
        }
    }
}

/// `LOW..HIGH` in hertz; `k` multiplies by a thousand.
pub fn band(text: &str) -> Result<(f64, f64), String> {
    let one = |t: &str| -> Result<f64, String> {
        let t = t.trim().trim_end_matches("Hz").trim_end();
        let (number, factor) = match t.strip_suffix('k') {
            Some(n) => (n, 1000.0),
            None => (t, 1.0),
        };
        Ok(parse_number(number, "a frequency in hertz").map_err(|e| e.to_string())? * factor)
    };
    let (low, high) = text
        .split_once("..")
        .ok_or_else(|| format!("'{text}' is not a band such as 100..15000 (hertz)"))?;
    let (low, high) = (one(low)?, one(high)?);
    if low >= 20.0 && high <= 22_000.0 && high >= 1.05 * low {
        Ok((low, high))
    } else {
        Err(format!(
            "a band from {low} to {high} Hz is not usable; it must lie within 20 to 22000 Hz, lower edge first"
        ))
    }
}

/// `LENGTH/PIVOT/OFFSET`, or what the arm is in a word.
pub fn arm(text: &str) -> Result<AnyArm, String> {
    match text.trim() {
        UNKNOWN => Ok(AnyArm::Unknown),
        "tangential" => Ok(AnyArm::Tangential),
        "null-radius" => Ok(AnyArm::NullRadius),
        known => dimensions(known).map(AnyArm::Pivoted).map_err(|e| {
            format!(
                "{e}; or write tangential, or null-radius (a pivoted arm at one of its null radii)"
            )
        }),
    }
}

/// How the cartridge body was aligned: `gauge`, `eye` or `unknown`.
pub fn aligned(text: &str) -> Result<Alignment, String> {
    match text.trim() {
        "gauge" => Ok(Alignment::Gauge),
        "eye" => Ok(Alignment::Eye),
        "unknown" => Ok(Alignment::Unknown),
        other => Err(format!(
            "'{other}' is not an alignment; write gauge (set with an alignment gauge), eye (set by eye) or unknown (turned on purpose)"
        )),
    }
}

/// How far the stylus lies ahead of the mounting holes, mm.
pub fn holes_to_stylus(text: &str) -> Result<f64, String> {
    let mm = parse_length_mm(text, "a distance in mm").map_err(|e| e.to_string())?;
    if mm.abs() <= 30.0 {
        Ok(mm)
    } else {
        Err(format!(
            "a stylus does not lie {mm} mm ahead of the mounting holes; 9.5 mm is usual"
        ))
    }
}

fn dimensions(text: &str) -> Result<ArmDimensions, String> {
    let parts: Vec<&str> = text.split('/').collect();
    let [length, pivot, offset] = parts[..] else {
        return Err(format!(
            "'{text}' is not LENGTH/PIVOT/OFFSET: effective length and pivot-to-spindle distance in mm, offset angle in degrees; nor is it 'unknown'"
        ));
    };
    let mm = |t: &str, what| parse_length_mm(t, what).map_err(|e| e.to_string());
    let arm = ArmDimensions {
        effective_length_mm: mm(length, "an effective length in mm")?,
        pivot_to_spindle_mm: mm(pivot, "a pivot-to-spindle distance in mm")?,
        offset_deg: parse_number(offset, "an offset angle in degrees")
            .map_err(|e| e.to_string())?,
    };
    let plausible = (100.0..=500.0).contains(&arm.effective_length_mm)
        && (80.0..=500.0).contains(&arm.pivot_to_spindle_mm)
        && (arm.effective_length_mm - arm.pivot_to_spindle_mm).abs() < 60.0
        && (-5.0..=45.0).contains(&arm.offset_deg);
    let shape = groove::Arm {
        effective_length: arm.effective_length_mm * MILLIMETRE,
        pivot_to_spindle: arm.pivot_to_spindle_mm * MILLIMETRE,
        offset: arm.offset_deg * DEGREE,
    };
    if plausible && !shape.is_consistent() {
        Err(format!(
            "'{text}': an arm with an offset angle overhangs the spindle, so its effective length exceeds pivot to spindle; write the effective length first"
        ))
    } else if plausible {
        Ok(arm)
    } else {
        Err(format!(
            "'{text}' is not an arm: effective length and pivot-to-spindle distance are 100 to 500 mm and differ by less than 60 mm, the offset angle lies within -5 to 45 degrees"
        ))
    }
}

/// Seconds from the start of the recording; `m:ss` is understood.
pub fn seconds(text: &str) -> Result<f64, String> {
    let value = parse_seconds(text).map_err(|e| e.to_string())?;
    if (0.0..=1e6).contains(&value) {
        Ok(value)
    } else {
        Err(format!(
            "{value} s is not a time in a recording; give seconds from its start, or m:ss"
        ))
    }
}

/// A coverage probability, `0.95` or `95%`.
pub fn coverage(text: &str) -> Result<f64, String> {
    let (number, divisor) = match text.strip_suffix('%') {
        Some(n) => (n, 100.0),
        None => (text, 1.0),
    };
    let value =
        parse_number(number, "a coverage such as 0.95").map_err(|e| e.to_string())? / divisor;
    if (0.5..=0.9999).contains(&value) {
        Ok(value)
    } else {
        Err(format!(
            "a coverage of {value} is not between 0.5 and 0.9999; 0.95 is usual"
        ))
    }
}

/// Distance between neighbouring grooves, mm per revolution; negative where the
/// groove runs outwards.
pub fn pitch(text: &str) -> Result<f64, String> {
    let value = parse_number(
        text.trim_end_matches("mm").trim_end(),
        "a groove pitch in mm",
    )
    .map_err(|e| e.to_string())?;
    // The widest lead-in grooves have about 1.5 mm; a band has 0.05 to 0.4
    // (common practice, no source).
    if value != 0.0 && value.abs() <= 2.0 {
        Ok(value)
    } else {
        Err(format!(
            "a groove pitch of {value} mm per revolution is not between 0 and 2 mm; 0.1 to 0.2 is usual"
        ))
    }
}

/// A positive angle, degrees.
pub fn positive_degrees(text: &str) -> Result<f64, String> {
    let value = parse_number(text, "an angle in degrees").map_err(|e| e.to_string())?;
    if value > 0.0 && value <= 45.0 {
        Ok(value)
    } else {
        Err(format!(
            "{value} degrees is not between 0 and 45; give an angle in that range"
        ))
    }
}

/// Two channel numbers, `3,4`.
pub fn channels(text: &str) -> Result<[usize; 2], String> {
    let parsed: Vec<Option<usize>> = text
        .split(',')
        .map(|t| t.trim().parse().ok().filter(|n| *n > 0))
        .collect();
    match parsed[..] {
        [Some(a), Some(b)] if a != b => Ok([a, b]),
        _ => Err(format!(
            "'{text}' is not a pair of channels such as 1,2 (left, right)"
        )),
    }
}

/// How to read a recording.
#[derive(Debug, Clone, Args)]
pub struct ReadingArguments {
    /// Band used, hertz
    #[arg(long, value_name = "HZ..HZ", value_parser = band)]
    pub band: Option<(f64, f64)>,
    /// Channels that are left and right, counted from 1
    #[arg(long, value_name = "L,R", value_parser = channels)]
    pub channels: Option<[usize; 2]>,
    /// Samples without a header, in this form: s24le,96000,2
    #[arg(long, value_name = "FORM")]
    pub raw: Option<RawFormat>,
}

impl ReadingArguments {
    /// How to estimate.
    pub fn settings(&self) -> delay::EstimateSettings {
        let mut settings = delay::EstimateSettings::of_groove();
        if let Some(band) = self.band {
            settings.band_hz = band;
        }
        settings
    }
}

/// Which part of which recording, and how to read it.
#[derive(Debug, Clone, Args)]
pub struct RecordingArguments {
    /// Start of the part to analyse, s or m:ss
    #[arg(long, value_name = "S", value_parser = seconds)]
    pub from: Option<f64>,
    /// End of the part to analyse
    #[arg(long, value_name = "S", value_parser = seconds)]
    pub to: Option<f64>,
    #[command(flatten)]
    pub reading: ReadingArguments,
}

impl RecordingArguments {
    /// The request for one recording, or why the options contradict each other.
    pub fn request(&self, capture: &OsString, hash: bool) -> Result<Request, String> {
        if let (Some(from), Some(to)) = (self.from, self.to)
            && from >= to
        {
            return Err(format!("--from {from} is not before --to {to}"));
        }
        Ok(Request {
            source: Source::from_argument(capture),
            options: capture::ReadOptions {
                channels: self.reading.channels,
                raw: self.reading.raw,
                hash,
            },
            from_s: self.from,
            to_s: self.to,
            settings: self.reading.settings(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tips() {
        assert_eq!(
            stylus("elliptical:18x8"),
            Ok(TipAnswer::Elliptical(Some((18.0, 8.0))))
        );
        assert_eq!(stylus("spherical:18"), Ok(TipAnswer::Spherical(Some(18.0))));
        assert_eq!(stylus("line:40x5"), Ok(TipAnswer::Line(Some((40.0, 5.0)))));
        assert_eq!(
            stylus("elliptical:0.7x0.3mil"),
            Ok(TipAnswer::Elliptical(Some((0.7 * 25.4, 0.3 * 25.4))))
        );
        for text in ["conical:18", "conical: 18 um"] {
            assert_eq!(stylus(text), Ok(TipAnswer::Spherical(Some(18.0))), "{text}");
        }
        assert_eq!(stylus("conical"), Ok(TipAnswer::Spherical(None)));
        // wide tips for coarse grooves
        for text in ["spherical:4mil", "elliptical:3.5x0.9mil", "spherical:127"] {
            assert!(stylus(text).is_ok(), "{text}");
        }
        for (text, says) in [
            ("elliptical:180x80", "frontal radius of 180 um"),
            ("elliptical:100x80", "side radius of 80 um"),
            ("line:400x5", "contact spacing of 400 um"),
            ("spherical:180", "10 to 130 um"),
            ("elliptical:0.3x0.7mil", "side radius 17.78 um"),
            ("elliptical:8x18", "frontal radius first"),
            ("elliptical:18", "two sizes"),
            ("round:18", "not a tip shape"),
            ("eliptical:18x8", "'elliptical'?"),
            ("eliptical", "'elliptical'?"),
            ("round", "spherical"),
            ("18", "elliptical:RxR"),
            ("elliptical:0.7x0.3", "0.3mil"),
            ("elliptical:18,5x8", "decimal"),
            ("spherical:0.0007", "micrometres"),
            ("18x8", "elliptical:18x8"),
            ("line:5x40", "spacing first"),
        ] {
            let message = stylus(text).unwrap_err();
            assert!(message.contains(says), "{text}: {message}");
        }
    }

    #[test]
    fn radii_bands_arms_and_times() {
        assert_eq!(
            radii("75..70"),
            Ok(Radii {
                start_mm: 75.0,
                end_mm: 70.0
            })
        );
        assert_eq!(
            radii("72"),
            Ok(Radii {
                start_mm: 72.0,
                end_mm: 72.0
            })
        );
        assert!(radii("2.8").unwrap_err().contains("2.8in"));
        assert!(radii("12").unwrap_err().contains("millimetres"));
        assert!(radii("72,5").unwrap_err().contains("72.5"));
        assert_eq!(band("100..15k"), Ok((100.0, 15_000.0)));
        assert!(band("15000..100").is_err());
        assert!(arm("229/211/24").is_ok());
        assert!(matches!(
            arm("9in/8.3in/24"),
            Ok(AnyArm::Pivoted(a)) if a.effective_length_mm == 228.6
        ));
        assert_eq!(arm("tangential"), Ok(AnyArm::Tangential));
        assert!(arm("229/211").unwrap_err().contains("LENGTH/PIVOT/OFFSET"));
        assert_eq!(seconds("1:30"), Ok(90.0));
        assert_eq!(coverage("95%"), Ok(0.95));
        assert!(coverage("95").unwrap_err().contains("0.95"));
        assert_eq!(channels("3,4"), Ok([3, 4]));
        assert!(channels("3").is_err() && channels("0,1").is_err());
        assert_eq!(rpm("33"), Ok(100.0 / 3.0));
        assert_eq!(rpm("33 1/3 rpm"), Ok(100.0 / 3.0));
        assert!(rpm("3").is_err());
        assert!(radii("20in").unwrap_err().contains("508 mm"));
    }
}
