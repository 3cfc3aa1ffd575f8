//! All warnings in one table: statistic, thresholds, distribution or source, effect on the
//! result, and advice.
//!
//! Where a single number decides, its threshold is defined only here: the code that
//! raises the warning calls [`Warning::at`] or [`Warning::level`]. Further conditions
//! are defined, with their sources, where the warning is raised.

use super::{Caveat, Level};
#[cfg(feature = "cli")]
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;

/// Thresholds of a warning, in the unit of its statistic. A threshold must be exceeded: a
/// statistic equal to it, or NaN, raises nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rule {
    /// A condition without a statistic, or with more than one.
    Seen(Level),
    /// Larger is worse; the mildest level first.
    Above(&'static [(Level, f64)]),
    /// Smaller is worse; the mildest level first.
    Below(&'static [(Level, f64)]),
    /// A value outside these two raises it.
    Outside(Level, f64, f64),
}

/// Definition of a warning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Definition {
    /// Its stable name in documents, kebab-case.
    pub code: &'static str,
    /// Its statistic, with the unit in brackets where it has one.
    pub statistic: &'static str,
    /// Its levels and thresholds.
    pub rule: Rule,
    /// Distribution of the statistic under the null hypothesis, or the threshold's source,
    /// and further conditions.
    pub law: &'static str,
    /// Effect on the result, compared with its standard uncertainty u.
    pub effect: &'static str,
    /// What to do.
    pub advice: &'static str,
}

macro_rules! warnings {
    ($($(#[$doc:meta])* $name:ident $code:literal {
        judged_by: $statistic:literal,
        level: $rule:expr,
        law: $law:literal,
        effect: $effect:literal,
        advice: $advice:literal,
    })*) => {
        /// What a [caveat](super::Caveat) is about.
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
        )]
        #[non_exhaustive]
        pub enum Warning {
            $($(#[$doc])* #[serde(rename = $code)] $name,)*
        }

        impl Warning {
            /// All of them, in the order of their codes.
            pub const ALL: &[Self] = &[$(Self::$name),*];

            /// Its definition.
            pub const fn definition(self) -> &'static Definition {
                match self {
                    $(Self::$name => &Definition {
                        code: $code,
                        statistic: $statistic,
                        rule: $rule,
                        law: $law,
                        effect: $effect,
                        advice: $advice,
                    },)*
                }
            }
        }
    };
}

use Level::{Caution, Note, Serious};
use Rule::{Above, Below, Outside, Seen};

warnings! {
    /// A later setup states how the body is aligned.
    AlignedAnew "aligned-anew" {
        judged_by: "a setup with `aligned` whose cartridge was recorded in another setup before",
        level: Seen(Note),
        law: "none: only its author can check this statement",
        effect: "none if the body was aligned again; if it was turned on purpose, a bias of stylus to body of up to the turn",
        advice: "take `aligned` out of a setup whose cartridge was turned on purpose",
    }
    /// Two peaks of the correlation are equally good.
    Ambiguous "ambiguous" {
        judged_by: "how far the correlation's second peak lies below its first, in standard deviations of a peak's height by noise",
        level: Below(&[(Serious, 4.0)]),
        law: "normal law, one-sided: chance alone produces 4 once in 30 000; a periodic programme, whose peaks are equal by nature, counts as a narrow band instead",
        effect: "bias of a whole period possible: no estimate",
        advice: "record longer, louder or with wider-band programme",
    }
    /// No arm is stated.
    ArmNotStated "arm-not-stated" {
        judged_by: "no arm in the setup",
        level: Seen(Note),
        law: "none: a statement is missing",
        effect: "none on the rotation to the groove, which contains the arm's tracking error; allowed for in u of stylus to body",
        advice: "state the arm's length, pivot to spindle and offset",
    }
    /// The channels differ in level.
    Balance "balance" {
        judged_by: "difference of the channels' levels in the band (dB)",
        level: Above(&[(Note, 3.0), (Serious, 12.0)]),
        law: "common practice, no source: data sheets state 1 to 2 dB for a mono cut, and a separation of 15 to 30 for a single channel (from memory); 12 lies between",
        effect: "none by itself, since a gain does not change a phase; in a band cut into one channel the delay is that of crosstalk, a bias of many u",
        advice: "check azimuth, bias and gain; if the band is cut into one channel, choose another",
    }
    /// The delay in a narrower band differs from that of the whole.
    BandShift "band-shift" {
        judged_by: "change of the delay from the whole band to its lower part (s)",
        level: Above(&[(Caution, 10e-9), (Serious, 1e-6)]),
        law: "normal law, two-sided: the change is also beyond 3 of its own u (Hausman 1978), which chance exceeds 27 times in ten thousand. 10 ns is a hundredth of a degree, 1 us about a degree, more than a resonance or load causes; common practice, no source",
        effect: "bias of about the change possible, not in u",
        advice: "compare bands with --band, calibrate the chain, check the load",
    }
    /// The channels are mixed.
    Blend "blend" {
        judged_by: "correlation of the channels' noise from 1 to 15 kHz in the quietest stretch, if it does not share the programme's delay",
        level: Above(&[(Caution, 0.157), (Serious, 0.186)]),
        law: "normal law with the standard deviation of 0.08 that the scale's prior gives to crosstalk of both channels together: 1.96 of it, and 2.33, which one usual cartridge in a hundred exceeds. Noise without delay must be a thousand times likelier than quiet programme",
        effect: "bias: the delay reads short by about this fraction",
        advice: "switch blend and mono off, record without a lossy coder, check azimuth; calibrate crosstalk",
    }
    /// The chain is calibrated in a part of the band only.
    CalibratedBand "calibrated-band" {
        judged_by: "the requested band extends beyond the calibrated one",
        level: Seen(Note),
        law: "none: both bands are known",
        effect: "allowed for in u: less is analysed",
        advice: "calibrate with a signal of wider band if more is needed",
    }
    /// Swapped leads or two speeds confirm a calibration.
    CalibrationAgrees "calibration-agrees" {
        judged_by: "skew found beyond the calibration, within its expanded uncertainty",
        level: Seen(Note),
        law: "normal law at the coverage asked for; see calibration-disagrees",
        effect: "none: a passed check",
        advice: "nothing",
    }
    /// Swapped leads or two speeds contradict a calibration.
    CalibrationDisagrees "calibration-disagrees" {
        judged_by: "skew found beyond the calibration, over its expanded uncertainty",
        level: Above(&[(Serious, 1.0)]),
        law: "normal law, two-sided, at the coverage asked for: one good calibration in twenty at 95 %",
        effect: "bias of the skew found possible, not in u",
        advice: "check leads, speeds and cables, then calibrate again or leave the calibration out",
    }
    /// A calibration takes the place of what a job states.
    CalibrationReplaces "calibration-replaces" {
        judged_by: "a figure of the chain is both stated and calibrated",
        level: Seen(Note),
        law: "none: a measured figure takes precedence over a stated one",
        effect: "none: u is the calibration's",
        advice: "take the stated figure out of the job",
    }
    /// The captures do not determine all unknowns.
    CarriedByPriors "carried-by-priors" {
        judged_by: "unknowns, or combinations of them, that the captures alone do not determine",
        level: Above(&[(Note, 0.0)]),
        law: "rank of the captures' information matrix",
        effect: "allowed for in u: the priors' uncertainties carry them",
        advice: "see which they are in the document; `plan` shows the capture that helps most",
    }
    /// Crosstalk was calibrated without the chain.
    ChainNotCalibrated "chain-not-calibrated" {
        judged_by: "a calibration of crosstalk without a common signal",
        level: Seen(Note),
        law: "none: what was measured is known",
        effect: "none with the same chain and leads; with others a bias of the chain's differences, not in u",
        advice: "calibrate with --common too, or keep chain and leads",
    }
    /// The samples of a compressed recording are not those that were encoded.
    ChecksumDisagrees "checksum-disagrees" {
        judged_by: "MD5 of the samples against the one in the header",
        level: Seen(Serious),
        law: "none: 2^-128 by chance",
        effect: "unknown: the samples have changed",
        advice: "copy or record the file again",
    }
    /// Captures and priors do not agree.
    ChiSquareHigh "chi-square-high" {
        judged_by: "probability that chance alone produces so large a chi-square of the adjustment",
        level: Below(&[(Caution, 0.01)]),
        law: "chi-square law, upper tail; one honest job in a hundred (common practice, no source)",
        effect: "bias beyond u possible; nothing is rescaled",
        advice: "look for a wrong entry, an uncertainty stated too small, or equaliser parts beyond their tolerance",
    }
    /// Captures and priors agree suspiciously well.
    ChiSquareLow "chi-square-low" {
        judged_by: "probability that chance alone produces so small a chi-square of the adjustment",
        level: Below(&[(Note, 0.01)]),
        law: "chi-square law, lower tail, of more than one degree of freedom; one honest job in a hundred (common practice, no source). Only where the job states the uncertainty of a reading or a size: the defaults are wide on purpose",
        effect: "u may be larger than necessary",
        advice: "see whether some uncertainty is stated too large",
    }
    /// Segments were left out for clicks.
    Clicks "clicks" {
        judged_by: "share of the segments left out",
        level: Above(&[(Note, 0.0), (Caution, 0.1)]),
        law: "common practice, no source: a worn record loses a tenth",
        effect: "allowed for in u: less is averaged",
        advice: "clean the record if the share seems high",
    }
    /// Samples are at full scale.
    Clipped "clipped" {
        judged_by: "share of the samples at full scale",
        level: Above(&[(Note, 0.0), (Caution, 1e-4), (Serious, 0.01)]),
        law: "common practice, no source: single samples are clicks, which are left out; channels clipped alike keep their delay; with channels 3 dB apart and delays of 3 us, clipping a hundredth changed music by 0.03 us and three hundredths by 0.12 (measured)",
        effect: "allowed for in u as noise; a bias if the channels clip differently",
        advice: "lower the recording level",
    }
    /// Samples are at full scale just now.
    Clipping "clipping" {
        judged_by: "samples at full scale in the latest half second",
        level: Above(&[(Caution, 0.0)]),
        law: "none: a sample at full scale is one",
        effect: "as for clipped, for what plays now",
        advice: "lower the recording level",
    }
    /// The chain was calibrated through the coils, and the leads are swapped since.
    CoilsInChainCalibration "coils-in-chain-calibration" {
        judged_by: "leads swapped, and a calibration through the cartridge's coils",
        level: Seen(Caution),
        law: "none: the coils lie before the swap point, the chain after it",
        effect: "bias of twice the coils' difference possible, not in u",
        advice: "calibrate with the leads as in the capture",
    }
    /// A calibration signal looks like a groove's.
    CommonFromGroove "common-from-groove" {
        judged_by: "what the channels of the common signal share, over what they do not (dB)",
        level: Below(&[(Caution, 55.0)]),
        law: "a phono input with 5 mV reaches 65 to 75 dB, surface noise and tracing of a good pressing 35 to 50 (believed)",
        effect: "if it is a groove, the rotation itself is removed: a bias of its full size",
        advice: "feed one signal to both inputs by cable, or raise its level",
    }
    /// The captures of a job, or one capture and all others, cannot all be right.
    Contradiction "contradiction" {
        judged_by: "probability that chance alone produces so large a chi-square of the adjustment, or so large a normalised residual of one capture",
        level: Below(&[(Serious, 1e-4)]),
        law: "chi-square law, upper tail; standard normal law of the normalised residual, two-sided (Baarda 1968, from memory); one honest job in ten thousand by each of them. With more than ten captures the limit for each is stricter, so that they withhold one honest job in a thousand (Sidak 1967, from memory)",
        effect: "bias of many u possible",
        advice: "look for a wrong entry first: leads, speed, turn, radius, record, cartridge",
    }
    /// A pass and a stated calibration tell unlike crosstalk.
    CrosstalkDisagrees "crosstalk-disagrees" {
        judged_by: "difference of the delay's scale between the crosstalk of a pass's bands and that of the stated calibration, over its standard uncertainty, both cutters included",
        level: Above(&[(Caution, 1.96), (Serious, 3.29)]),
        law: "normal law, two-sided: one good calibration in twenty, and one in a thousand",
        effect: "possible bias of the rotation: the difference times the delay; not in u",
        advice: "calibrate with the cartridge as aligned now, or leave the calibration's crosstalk out so that the pass's own is used",
    }
    /// Crosstalk calibrated without the chain is exchanged with the leads.
    CrosstalkThroughUnknownChain "crosstalk-through-unknown-chain" {
        judged_by: "leads swapped, and a calibration of crosstalk without a common signal",
        level: Seen(Caution),
        law: "none: what was measured is known",
        effect: "bias of the chain's difference times the crosstalk possible, not in u",
        advice: "calibrate with --common too",
    }
    /// Packets of a compressed recording are damaged.
    DamagedPackets "damaged-packets" {
        judged_by: "packets that cannot be decoded",
        level: Above(&[(Serious, 0.0)]),
        law: "none: the container's own checks",
        effect: "their samples count as silence, in both channels alike; other damage is unknown",
        advice: "copy or record the file again",
    }
    /// A given delay names a chain whose calibration corrects recordings alone.
    DelayTakenAsCorrected "delay-taken-as-corrected" {
        judged_by: "a capture with `delay_us` whose chain has a calibration",
        level: Seen(Caution),
        law: "none: only its author knows whether a delay was corrected",
        effect: "bias of the calibration's skew if it was not, not in u",
        advice: "correct the delay by the calibration, or name a chain without calibration",
    }
    /// Stretches of exact silence lie within the programme.
    Dropouts "dropouts" {
        judged_by: "stretches of 64 zeros in a channel within the programme",
        level: Above(&[(Caution, 0.0)]),
        law: "none: groove noise contains no run of exact zeros",
        effect: "they are left out; a bias if samples were lost in one channel",
        advice: "check the recorder for lost buffers",
    }
    /// The band holds nothing to measure by.
    EmptyBand "empty-band" {
        judged_by: "no part of the band has a usable phase",
        level: Seen(Serious),
        law: "none: there is no information",
        effect: "no estimate",
        advice: "choose another band with --band",
    }
    /// The programme has ended or pauses.
    EndOfSide "end-of-side" {
        judged_by: "time without new programme (s)",
        level: Above(&[(Caution, 1.5)]),
        law: "common practice, no source: the analysis itself withholds a beginning for one second, and checks every half second",
        effect: "none: the result so far stands",
        advice: "lift the arm, or play on",
    }
    /// Correlation and phase slope differ.
    EstimatorsDisagree "estimators-disagree" {
        judged_by: "difference of correlation and phase slope, over its standard uncertainty by noise",
        level: Above(&[(Caution, 4.0)]),
        law: "normal law, two-sided: 6 times in a hundred thousand; and by more than 1 ns",
        effect: "bias of about the difference possible, not in u",
        advice: "compare another band with --band",
    }
    /// The programme is a few tones.
    FewTones "few-tones" {
        judged_by: "effective number of stretches of the band, each some 140 Hz, that carry the information",
        level: Below(&[(Caution, 5.0)]),
        law: "common practice, no source",
        effect: "bias beyond u possible: tracing's harmonics of one tone coincide with another",
        advice: "use noise or music",
    }
    /// No stylus is stated.
    GenericStylus "generic-stylus" {
        judged_by: "no profile of the stylus",
        level: Seen(Note),
        law: "none: a statement is missing",
        effect: "allowed for in u: a generic elliptical tip with a wide prior",
        advice: "state the profile and its radii for a narrower band",
    }
    /// Grooves of a recording in stretches lie nearer together or further apart than any.
    GroovePitch "groove-pitch" {
        judged_by: "distance of neighbouring grooves from the radii, times and speed of a recording in stretches (mm)",
        level: Outside(Serious, 0.03, 1.5),
        law: "a groove is 0.025 mm wide or wider at its top, and a lead-in has 1.5 mm (IEC 98, from memory)",
        effect: "unbounded bias of the rotation: delay over radius counts as tracking error",
        advice: "check both radii, speed and times",
    }
    /// The sample rate is above those tested.
    HighSampleRate "high-sample-rate" {
        judged_by: "sample rate (Hz)",
        level: Above(&[(Note, 192_000.0)]),
        law: "the highest that this program is tested for",
        effect: "none known",
        advice: "record at 96 or 192 kHz if there is a choice",
    }
    /// No stylus makes such a delay.
    ImplausibleDelay "implausible-delay" {
        judged_by: "delay, without its sign (s)",
        level: Above(&[(Serious, 100e-6)]),
        law: "geometry: contacts 70 um apart, turned by 20 degrees at 16 2/3 rpm and 50 mm, give 270 us; at the usual speeds and radii 100 us is out of reach",
        effect: "bias of its full size: the channels were shifted",
        advice: "find out where the recorder or an editor shifts the channels",
    }
    /// No stylus is turned so far.
    ImplausibleRotation "implausible-rotation" {
        judged_by: "rotation, without its sign (deg)",
        level: Above(&[(Caution, 10.0), (Serious, 15.0)]),
        law: "common practice, no source: two and three times what makers allow",
        effect: "bias of most of its size",
        advice: "record again by other means, then check radius, speed and stylus",
    }
    /// The channels of a chain are further apart than a chain makes.
    ImplausibleSkew "implausible-skew" {
        judged_by: "skew of a chain from its calibration, without its sign (s)",
        level: Above(&[(Caution, 1.5e-6)]),
        law: "normal law, two-sided: 3 standard deviations of the 0.5 us of the prior of a chain's skew (believed), which chance exceeds 27 times in ten thousand",
        effect: "none if every recording is shifted alike; if a buffer slipped once, a bias of whole samples, not in u",
        advice: "restart the recorder and calibrate again: the same skew belongs to the interface, a different one is a slip",
    }
    /// The captures ask for a lever that no tip has.
    ImpossibleLever "impossible-lever" {
        judged_by: "lever that the captures find (um)",
        level: Below(&[(Serious, 0.0)]),
        law: "geometry: contacts lie further out than the centres of the edges, so a lever is positive",
        effect: "every rotation may have the wrong sign",
        advice: "check the signs of the turns, leads and speeds",
    }
    /// Nearly half of the programme looks like clicks.
    ImpulsiveProgramme "impulsive-programme" {
        judged_by: "share of the segments that look like clicks",
        level: Above(&[(Caution, 0.45)]),
        law: "a median of the segments tolerates up to half of them; common practice, no source",
        effect: "clicks are kept: u from the scatter, and a bias if they are one-sided",
        advice: "choose smoother programme, clean the record",
    }
    /// One channel is inverted.
    InvertedPolarity "inverted-polarity" {
        judged_by: "sign of the correlation's peak",
        level: Seen(Caution),
        law: "none: a sign",
        effect: "none: it is allowed for",
        advice: "check the colours of the four leads at the cartridge",
    }
    /// What was included concerns nothing in the job.
    KnowledgeUnused "knowledge-unused" {
        judged_by: "no unknown, or no record, that both the job and the knowledge name",
        level: Seen(Caution),
        law: "none: names are compared",
        effect: "u larger than necessary: the knowledge is not used",
        advice: "check the names",
    }
    /// The header does not tell the length.
    LengthNotInHeader "length-not-in-header" {
        judged_by: "a placeholder in place of the length",
        level: Seen(Note),
        law: "none: the containers' own convention",
        effect: "none: read to the end",
        advice: "nothing, if the recording is whole",
    }
    /// A tone of known velocity tells another level than what is stated.
    LevelDisagrees "level-disagrees" {
        judged_by: "logarithm of the ratio of full scale from a tone of known velocity to the stated one, or to that from an earlier tone of the setup, without its sign, over its standard uncertainty",
        level: Above(&[(Caution, 3.29), (Serious, 3.89)]),
        law: "standard normal law, two-sided: once in a thousand, once in ten thousand; tones of one record share their velocity, which makes chance rarer",
        effect: "bias of the tip's radius in proportion to the level, and through it of the lever: as for tip-radius",
        advice: "correct full_scale_cm_s or velocity_cm_s, or leave full_scale_cm_s out; recordings with different gains need setups of their own",
    }
    /// Something of the channels' difference is missing, as coders with losses leave it.
    LossyCoder "lossy-coder" {
        judged_by: "minus the decimal logarithm of the probability, by chance, of as many cells of 21 ms and 375 Hz in which the sum of the channels has at least its median power and their difference lies 13.5 dB below its own",
        level: Above(&[(Serious, 6.0)]),
        law: "binomial in Poisson's limit, for cells whose power follows a chi-square law with the window's degrees of freedom: one honest recording in a million",
        effect: "bias: 0.2 to 2 us at 192 to 96 kbit/s, far beyond u",
        advice: "record again without a lossy format and without noise reduction",
    }
    /// One channel carries next to nothing.
    LostChannel "lost-channel" {
        judged_by: "difference of the channels' levels (dB)",
        level: Above(&[(Serious, 35.0)]),
        law: "common practice, no source: no cartridge, and no balance control in its range, does that",
        effect: "no estimate",
        advice: "check leads and inputs",
    }
    /// Samples were lost or repeated in one channel.
    LostSamples "lost-samples" {
        judged_by: "a step of the delay along the recording, over its standard uncertainty",
        level: Seen(Serious),
        law: "Student's law of the step added to a line, 1e-6 over all positions (Bonferroni), and at least half a sample",
        effect: "bias of up to the step",
        advice: "name a part on one side of it with --from or --to, or record again by other means",
    }
    /// The sample rate is low.
    LowSampleRate "low-sample-rate" {
        judged_by: "sample rate (Hz)",
        level: Below(&[(Caution, 44_100.0)]),
        law: "that of the compact disc (IEC 60908), the least this program is tested for",
        effect: "allowed for in u: less band",
        advice: "record at 44100 Hz or more, best at 96000 Hz",
    }
    /// The phase departs from its model over frequency.
    Misfit "misfit" {
        judged_by: "variance of the phase about its model, over that of noise",
        level: Above(&[(Note, 2.0)]),
        law: "chi-square law; only a deviation that chance produces less often than once in a thousand exceeds 1. The 2 is common practice, no source",
        effect: "allowed for in u",
        advice: "compare bands with --band if u is too large",
    }
    /// Draws confirm the linearised band.
    MonteCarloAgrees "monte-carlo-agrees" {
        judged_by: "both ends of the linearised band agree with those of the draws",
        level: Seen(Note),
        law: "two significant digits (JCGM 101:2008, 7.9.2 and 8.1), and twice what the number of draws resolves",
        effect: "none: a passed check",
        advice: "use either band",
    }
    /// Draws contradict the band given.
    MonteCarloDiffers "monte-carlo-differs" {
        judged_by: "an end of the band given differs from that of the draws",
        level: Seen(Caution),
        law: "as for monte-carlo-agrees",
        effect: "band too narrow or too wide by the amount in the message",
        advice: "use the Monte Carlo band",
    }
    /// Draws found no solution.
    MonteCarloIncomplete "monte-carlo-incomplete" {
        judged_by: "share of the draws without a solution",
        level: Above(&[(Caution, 0.01)]),
        law: "common practice, no source",
        effect: "the Monte Carlo bands lack these draws",
        advice: "trust the band given; state what makes the job indefinite",
    }
    /// Draws confirm the band given and not the linearised one.
    MonteCarloNonlinear "monte-carlo-nonlinear" {
        judged_by: "the band given agrees with that of the draws, the linearised one does not",
        level: Seen(Note),
        law: "as for monte-carlo-agrees",
        effect: "none on the band given",
        advice: "use the band, not value and u",
    }
    /// The signal is periodic or a narrow band.
    NarrowBand "narrow-band" {
        judged_by: "standard deviation over mean of the frequencies that carry the information",
        level: Below(&[(Caution, 0.05)]),
        law: "common practice, no source; or a coherent line, and peaks of the correlation that differ only by noise (see ambiguous)",
        effect: "bias of whole periods possible; the value nearest to zero is given",
        advice: "use wide-band programme",
    }
    /// There is no estimate.
    NoEstimate "no-estimate" {
        judged_by: "the adjustment or the fit of the phase fails",
        level: Seen(Serious),
        law: "none: there is no result",
        effect: "no estimate",
        advice: "follow the message",
    }
    /// There is no signal.
    NoSignal "no-signal" {
        judged_by: "mean power of the louder channel, full scale 1",
        level: Below(&[(Serious, 1e-8)]),
        law: "common practice, no source: -80 dB is a few steps of 16 bits",
        effect: "no estimate",
        advice: "check that the record plays and that the recorder takes the right input",
    }
    /// The channels share little more than they do not.
    Noisy "noisy" {
        judged_by: "what the channels share, over what they do not (dB)",
        level: Below(&[(Caution, 12.0)]),
        law: "common practice, no source: a mono cut in good condition has 20 to 50",
        effect: "allowed for in u, if what is not shared is noise",
        advice: "clean the record, or use a mono-cut band",
    }
    /// Samples are no numbers.
    NonFiniteSamples "non-finite-samples" {
        judged_by: "samples that are NaN or infinite",
        level: Above(&[(Serious, 0.0)]),
        law: "none: the coding's own definition (IEEE 754)",
        effect: "they count as silence; other faults are unknown",
        advice: "export the recording again",
    }
    /// The adjustment did not converge.
    NotConverged "not-converged" {
        judged_by: "the adjustment used all its steps",
        level: Seen(Serious),
        law: "none: a property of the adjustment",
        effect: "bias of any size possible",
        advice: "check the values given, above all radii, speeds and turns",
    }
    /// The channels hardly share a programme.
    NotMono "not-mono" {
        judged_by: "what the channels share, over what they do not (dB)",
        level: Below(&[(Serious, 3.0)]),
        law: "common practice, no source: a third of the power is not shared",
        effect: "bias beyond u possible: stereo programme has delays of its own",
        advice: "use a mono-cut band",
    }
    /// The channels have nothing in common.
    NothingInCommon "nothing-in-common" {
        judged_by: "height of the correlation's peak, in standard deviations of that of unrelated channels",
        level: Below(&[(Serious, 6.5)]),
        law: "normal law over the thousands of lags searched: less than once in a million; a line coherent beyond chance counts as well",
        effect: "no estimate",
        advice: "use a mono-cut band, left and right of the same capture",
    }
    /// Parts of the band move the walls in opposition.
    OpposedWalls "opposed-walls" {
        judged_by: "share of the sharp parts of the band whose phase is a quarter turn or more off",
        level: Above(&[(Caution, 0.05), (Serious, 0.2)]),
        law: "common practice, no source: tracing's even harmonics and chance reach less",
        effect: "bias beyond u possible near such parts",
        advice: "use --band to select where the programme is strong, or use louder programme",
    }
    /// One capture does not fit the others.
    Outlier "outlier" {
        judged_by: "probability that chance alone produces so large a normalised residual of the capture",
        level: Below(&[(Caution, 1e-3)]),
        law: "standard normal law, two-sided: beyond 3.29 once in a thousand (Baarda 1968, from memory). With more than ten captures the limit for each is stricter, so that one honest job in a hundred has such a capture (Sidak 1967, from memory)",
        effect: "bias of the residual times the capture's weight possible",
        advice: "check that entry; listen to the recording, or leave it out",
    }
    /// The phase of a chain is not what skew and parts make.
    PhaseShape "phase-shape" {
        judged_by: "deviation of the chain's phase from skew and equaliser parts (rad)",
        level: Above(&[(Note, 0.03)]),
        law: "common practice, no source: 1.7 degrees",
        effect: "none on the correction; the fitted differences of parts may be wrong by more than their u",
        advice: "read the parts' differences with care",
    }
    /// Captures of the job are not recorded yet.
    PlannedCaptures "planned-captures" {
        judged_by: "captures marked as planned",
        level: Above(&[(Note, 0.0)]),
        law: "none: a count",
        effect: "none: they do not count",
        advice: "record them, or take them out",
    }
    /// The programme ends within the band.
    ProgrammeEnds "programme-ends" {
        judged_by: "power above a steep drop in the spectrum, over that below it",
        level: Below(&[(Note, 1e-4)]),
        law: "common practice, no source: 40 dB within a fraction of the frequency, without recovery",
        effect: "allowed for in u: the band ends there",
        advice: "record without a lossy coder, at the rate of the converter",
    }
    /// The channels differ by less noise than a groove's.
    QuietNoise "quiet-noise" {
        judged_by: "power that the channels do not share, over what they share",
        level: Below(&[(Caution, 1e-5)]),
        law: "common practice, no source: surface noise is hardly 50 dB down, an amplifier's behind a mono switch is; and the delay is within the 0.7 us that a chain alone can make",
        effect: "bias of its full size if it is one signal: no rotation was measured",
        advice: "make sure that there is no mono switch and no strapped cartridge",
    }
    /// The pitch leads to a radius where no record has a groove.
    RadiusOffTheRecord "radius-off-the-record" {
        judged_by: "radius that the pitch leads to (mm)",
        level: Outside(Serious, 20.0, 250.0),
        law: "common practice, no source: no record of any kind has a groove there",
        effect: "bias in proportion to the radius",
        advice: "correct --pitch or --radius",
    }
    /// Raw samples seem to be of another kind than was said.
    RawMisread "raw-misread" {
        judged_by: "mean square step from sample to sample over the variance, read as requested and otherwise",
        level: Seen(Serious),
        law: "von Neumann's ratio (1941, from memory): for random samples 2 +- 2 / sqrt n",
        effect: "the result means nothing",
        advice: "correct --raw, or convert the recording to WAV",
    }
    /// Read as raw samples, but it has a header.
    RawWithHeader "raw-with-header" {
        judged_by: "first bytes of a WAV or FLAC file",
        level: Seen(Caution),
        law: "none: the containers' own marks",
        effect: "the header counts as samples, and the rest may be read in the wrong form",
        advice: "omit --raw",
    }
    /// A report's words about the arm contradict the calculation.
    ReportDiffers "report-differs" {
        judged_by: "`arm` in [report] says pivoted or tangential, and the setup's `arm` is the other kind",
        level: Seen(Serious),
        law: "none: one of two statements is wrong",
        effect: "bias of the rotation to the body by the tracking error of a pivoted arm, a degree or two, not in u",
        advice: "correct the one that is wrong",
    }
    /// One recording is entered twice.
    SameRecordingTwice "same-recording-twice" {
        judged_by: "two captures of the same SHA-256 whose spans overlap",
        level: Seen(Serious),
        law: "none: equal hashes are equal files",
        effect: "u too small by up to the root of 2",
        advice: "remove one",
    }
    /// Both channels are one signal.
    SameSignal "same-signal" {
        judged_by: "power of the channels' difference, gain matched, over their own",
        level: Below(&[(Serious, 3e-7)]),
        law: "surface noise of the best pressing is some 60 dB down and different on the two walls (believed), and a delay of 0.1 us leaves a difference of -54 dB",
        effect: "no estimate: no timing is left",
        advice: "mono switch off, the cartridge's four leads separate, record in stereo",
    }
    /// Delay or response scatters more than noise explains.
    Scatter "scatter" {
        judged_by: "variance along the recording (of a calibration: along frequency), over that of noise",
        level: Above(&[(Note, 2.0)]),
        law: "variance ratio of a delete-a-group jackknife, or of residuals; the 2 is common practice, no source",
        effect: "allowed for in u",
        advice: "look for hum, or for a part that differs from the rest",
    }
    /// Repeated captures scatter.
    ScatterBetweenDrops "scatter-between-drops" {
        judged_by: "standard deviation between repeats beyond their own uncertainty (us)",
        level: Above(&[(Note, 0.0), (Caution, 0.1)]),
        law: "Paule and Mandel 1982; 0.1 us, about a tenth of a degree, is the most that setting the stylus down again causes (common practice, no source)",
        effect: "allowed for in u up to 0.1 us: every capture carries it; beyond, the captures contradict each other",
        advice: "beyond 0.1 us check leads, turn, setup, radius and speed of both",
    }
    /// A setup that is compared has no captures.
    SetupWithoutCaptures "setup-without-captures" {
        judged_by: "no capture of the setup",
        level: Seen(Caution),
        law: "none: a count",
        effect: "allowed for in u: the rotation is the prior's",
        advice: "record it",
    }
    /// The channels share even their noise.
    SharedNoise "shared-noise" {
        judged_by: "power that the channels do not share, over what they share",
        level: Below(&[(Serious, 2.5e-7)]),
        law: "common practice, no source: noise 66 dB down cannot be a groove's; tracing on two walls disproves it",
        effect: "bias of its full size if it is one signal through a skewed chain",
        advice: "make sure that there is no mono switch and no strapped cartridge",
    }
    /// Coded marks, or a tone of known frequency, tell another speed than what is stated.
    SpeedDisagrees "speed-disagrees" {
        judged_by: "logarithm of the ratio of the speed from coded marks, or else from a tone of known frequency, to the stated one, without its sign, over its standard uncertainty",
        level: Above(&[(Caution, 3.29), (Serious, 3.89)]),
        law: "standard normal law, two-sided: once in a thousand, once in ten thousand. Marks and tone give the speed relative to the cut to a few parts in a million (one mark alone to 0.1 %); the cut's own speed is known to 0.15 % (a third of what IEC 60098:2020, 5.6, allows)",
        effect: "bias in proportion to the speed",
        advice: "correct rpm, or cut_rpm of the record; if the turntable is off, state the rpm that they show",
    }
    /// A spherical tip is not sensitive to its own rotation.
    SphericalTip "spherical-tip" {
        judged_by: "a spherical profile",
        level: Seen(Note),
        law: "none: geometry",
        effect: "none: the rotation given is the prior; the captures measure the record's cut",
        advice: "read the record's cut",
    }
    /// Things of one name are stated unlike each other.
    StatedOtherwise "stated-otherwise" {
        judged_by: "a figure that a job and a file that it includes, or two such files, state differently for one thing",
        level: Seen(Caution),
        law: "none: two statements are compared",
        effect: "bias according to the figure if the first, which counts, is wrong",
        advice: "correct the wrong one, or give different things different names",
    }
    /// Tracing tells another radius of the tip than what is stated.
    TipRadius "tip-radius" {
        judged_by: "logarithm of the ratio of the best radius from tracing to the stated one, without its sign, over its standard uncertainty; or a probability of 0.95 that an unstated tip is spherical (serious)",
        level: Above(&[(Caution, 3.29), (Serious, 3.89)]),
        law: "standard normal law, two-sided: once in a thousand, once in ten thousand",
        effect: "bias in proportion to the lever, which includes the radius: 5 % of it is 0.1 degrees at 2 degrees",
        advice: "check the tip's size, the level of full scale, radius and speed",
    }
    /// What tracing adds was found and taken out.
    Tracing "tracing" {
        judged_by: "coefficient of tracing's second order, over its standard uncertainty",
        level: Above(&[(Note, 5.0)]),
        law: "normal law, two-sided: 6 times in ten million",
        effect: "allowed for in u: 2 % of the change that it caused in the delay",
        advice: "nothing",
    }
    /// What tracing adds was found and could not be taken out.
    TracingLeft "tracing-left" {
        judged_by: "coefficient of tracing's second order, over its standard uncertainty",
        level: Above(&[(Note, 5.0)]),
        law: "as for tracing",
        effect: "bias possible, not in u",
        advice: "measure a file, or make room in the temporary folder",
    }
    /// The recording ends before its header says.
    TruncatedFile "truncated-file" {
        judged_by: "frames that the header promises but the file lacks",
        level: Above(&[(Caution, 0.0)]),
        law: "none: a count; for ALAC beyond a packet, which some writers count whole",
        effect: "allowed for in u: less is averaged",
        advice: "copy or record it again if the rest matters",
    }
    /// Nothing checks the captures of a setup.
    Unchecked "unchecked" {
        judged_by: "increase of chi-square if leads were entered the wrong way round in all captures of the setup",
        level: Below(&[(Note, 24.3)]),
        law: "normal law, squared: named from 3.29 on (outlier), with a power of 95 % 1.64 further (Baarda 1968, from memory)",
        effect: "none by itself; wrong leads or exchanged channels would go unseen and reverse the result",
        advice: "check channels and leads; record once more with a known turn",
    }
    /// The delay steps or drifts along the recording.
    Unsteady "unsteady" {
        judged_by: "standard deviation of the delay between stretches of the recording (s)",
        level: Above(&[(Caution, 0.3e-6), (Serious, 0.6e-6)]),
        law: "common practice, no source: 0.3 us is about a third of a degree; and 25 times the variance of noise",
        effect: "bias of many u possible: part of it is another band, or samples were lost",
        advice: "name the part with --from and --to, or record again by other means",
    }
    /// Bits that ought to be unused are in use.
    UnusedBitsInUse "unused-bits-in-use" {
        judged_by: "bits set below those that the header declares valid",
        level: Seen(Caution),
        law: "none: the header contradicts the samples",
        effect: "none on the delay; the level may be wrong",
        advice: "export the recording as plain 16, 24 or 32-bit WAV",
    }
    /// A radius at which records are hardly cut.
    UnusualRadius "unusual-radius" {
        judged_by: "radius of a capture (mm)",
        level: Outside(Serious, 50.0, 150.0),
        law: "common practice, no source: records of 30 cm are cut from 146 to 60 mm or a little less, smaller ones to 53",
        effect: "bias in proportion to the radius, if it is a slip",
        advice: "check the entry; a diameter is twice the radius. For a larger disc, state the radius in a job with its uncertainty",
    }
    /// The channels' responses differ as those of no usual cartridge do.
    UnusualResponse "unusual-response" {
        judged_by: "probability that the remainder of phase and gain, after the causes of a cartridge's response, is as small as usual",
        level: Below(&[(Serious, 1e-3)]),
        law: "posterior probability over levels of strength (Bayes); prior 0.8. None of 52 recordings without a coder or faulty crosstalk fell below (tests/cross-check/cartridge.py)",
        effect: "bias of several u possible",
        advice: "compare bands with --band; check leads, load and azimuth; calibrate crosstalk and chain",
    }
    /// A speed at which records are hardly played.
    UnusualSpeed "unusual-speed" {
        judged_by: "relative deviation from the nearest of 16 2/3, 33 1/3, 45 and 78.26 rpm",
        level: Above(&[(Caution, 0.05)]),
        law: "common practice, no source: how far a turntable may be off or set off",
        effect: "bias in proportion to the speed, if it is a slip",
        advice: "check the entry",
    }
    /// The stream holds no programme yet.
    Waiting "waiting" {
        judged_by: "no programme so far, and no fault",
        level: Seen(Note),
        law: "programme counts once it has lasted a second (common practice, no source)",
        effect: "none: there is no result yet",
        advice: "wait, or set the needle down",
    }
    /// A file is larger than its header can tell.
    WrappedLength "wrapped-length" {
        judged_by: "bytes of the samples that are there",
        level: Above(&[(Caution, 4_294_967_295.0)]),
        law: "sizes of 32 bits in RIFF and AIFF; and nothing proper follows where the header ends the samples",
        effect: "none: read to the end",
        advice: "record such lengths as RF64",
    }
}

impl Warning {
    /// Its stable name in documents.
    pub const fn as_str(self) -> &'static str {
        self.definition().code
    }

    /// The highest level whose threshold the statistic passes. Of a warning that compares
    /// nothing, always its own.
    pub fn level(self, statistic: f64) -> Option<Level> {
        let passed = |levels: &[(Level, f64)], worse: fn(&f64, &f64) -> bool| {
            let passed = levels.iter().filter(|(_, t)| worse(&statistic, t));
            passed.map(|(level, _)| *level).max()
        };
        match self.definition().rule {
            Seen(level) => Some(level),
            Above(levels) => passed(levels, f64::gt),
            Below(levels) => passed(levels, f64::lt),
            Outside(level, least, most) => (statistic < least || statistic > most).then_some(level),
        }
    }

    /// The caveat that a statistic raises, if any.
    pub fn at(self, statistic: f64, message: impl FnOnce() -> String) -> Option<Caveat> {
        self.level(statistic).map(|level| Caveat {
            code: self,
            level,
            message: message(),
        })
    }

    /// The caveat of a condition that is present, at its mildest level.
    pub fn seen(self, message: impl Into<String>) -> Caveat {
        Caveat {
            code: self,
            level: self.mildest().0,
            message: message.into(),
        }
    }

    /// The threshold of its mildest level, for formulas and messages that need the number.
    ///
    /// # Panics
    ///
    /// Where it has none or two; use it in constants, so that the compiler tells.
    pub const fn limit(self) -> f64 {
        match self.mildest().1 {
            Some(limit) => limit,
            None => panic!("this warning has no threshold, or two"),
        }
    }

    /// The threshold of one of its levels.
    ///
    /// # Panics
    ///
    /// Where it has none; use it in constants, so that the compiler tells.
    pub const fn threshold(self, level: Level) -> f64 {
        if let Above(levels) | Below(levels) = self.definition().rule {
            let mut k = 0;
            while k < levels.len() {
                if levels[k].0 as u8 == level as u8 {
                    return levels[k].1;
                }
                k += 1;
            }
        }
        panic!("this warning has no such level")
    }

    /// The least and the most that it lets pass.
    ///
    /// # Panics
    ///
    /// Where it has no such range; use it in constants, so that the compiler tells.
    pub const fn range(self) -> RangeInclusive<f64> {
        match self.definition().rule {
            Outside(_, least, most) => least..=most,
            _ => panic!("this warning has no range"),
        }
    }

    const fn mildest(self) -> (Level, Option<f64>) {
        match self.definition().rule {
            Seen(level) | Outside(level, ..) => (level, None),
            Above(levels) | Below(levels) => (levels[0].0, Some(levels[0].1)),
        }
    }
}

#[cfg(feature = "cli")]
impl JsonSchema for Warning {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Warning".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let codes: Vec<&str> = Self::ALL.iter().map(|w| w.as_str()).collect();
        json_schema!({
            "description": "What a caveat is about; docs/warnings.md explains each. Later versions may add some.",
            "type": "string",
            "enum": codes,
        })
    }
}

impl std::fmt::Display for Warning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}

impl PartialEq<str> for Warning {
    fn eq(&self, code: &str) -> bool {
        self.as_str() == code
    }
}

impl PartialEq<&str> for Warning {
    fn eq(&self, code: &&str) -> bool {
        self.as_str() == *code
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Thresholds stand from the mildest level to the most serious, each harder to pass,
    /// and the codes in their order.
    #[test]
    fn the_table_is_in_order() {
        for pair in Warning::ALL.windows(2) {
            assert!(pair[0].as_str() < pair[1].as_str(), "{}", pair[1]);
        }
        for warning in Warning::ALL {
            let ordered = match warning.definition().rule {
                Seen(_) => true,
                Outside(_, least, most) => least < most,
                Above(levels) => levels.is_sorted_by(|a, b| a.0 < b.0 && a.1 < b.1),
                Below(levels) => levels.is_sorted_by(|a, b| a.0 < b.0 && a.1 > b.1),
            };
            assert!(ordered, "{warning}");
        }
    }

    #[test]
    fn a_level_begins_beyond_its_threshold() {
        let level = |warning: Warning, statistic: f64| warning.level(statistic);
        for (statistic, expected) in [
            (10e-9, None),
            (11e-9, Some(Caution)),
            (1e-6, Some(Caution)),
            (1.1e-6, Some(Serious)),
            (f64::NAN, None),
        ] {
            assert_eq!(level(Warning::BandShift, statistic), expected);
        }
        for (statistic, expected) in [(1e-4, None), (0.9e-4, Some(Serious)), (f64::NAN, None)] {
            assert_eq!(level(Warning::Contradiction, statistic), expected);
        }
        for (mm, expected) in [
            (50.0, None),
            (150.0, None),
            (49.9, Some(Serious)),
            (150.1, Some(Serious)),
        ] {
            assert_eq!(level(Warning::UnusualRadius, mm), expected);
        }
        assert_eq!(level(Warning::Waiting, f64::NAN), Some(Note));
        assert_eq!(Warning::Clicks.limit(), 0.0);
        let caveat = Warning::Clicks.at(0.2, || "2 of 10".into()).unwrap();
        assert_eq!(caveat, Caveat::caution(Warning::Clicks, "2 of 10"));
        assert!(Warning::Clicks.at(0.0, String::new).is_none());
        assert_eq!(Warning::Dropouts.seen("").level, Caution);
    }
}
