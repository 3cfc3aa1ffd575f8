//! Everything that can be said against a result, in one list.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

macro_rules! warnings {
    ($($name:ident: $code:literal;)*) => {
        /// What a [caveat](super::Caveat) is about.
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
            JsonSchema,
        )]
        #[allow(missing_docs)]
        #[non_exhaustive]
        pub enum Warning {
            $(#[serde(rename = $code)] $name,)*
        }

        impl Warning {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$name),*];

            /// Its stable name in documents.
            pub fn as_str(self) -> &'static str {
                match self {
                    $(Self::$name => $code,)*
                }
            }
        }
    };
}

warnings! {
    Ambiguous: "ambiguous";
    ArmNotStated: "arm-not-stated";
    Balance: "balance";
    BandShift: "band-shift";
    CalibratedBand: "calibrated-band";
    CalibrationAgrees: "calibration-agrees";
    CalibrationDisagrees: "calibration-disagrees";
    CalibrationReplaces: "calibration-replaces";
    CarriedByPriors: "carried-by-priors";
    ChainNotCalibrated: "chain-not-calibrated";
    ChecksumDisagrees: "checksum-disagrees";
    ChiSquareHigh: "chi-square-high";
    ChiSquareLow: "chi-square-low";
    Clicks: "clicks";
    Clipped: "clipped";
    Clipping: "clipping";
    CoilsInChainCalibration: "coils-in-chain-calibration";
    CommonFromGroove: "common-from-groove";
    CrosstalkThroughUnknownChain: "crosstalk-through-unknown-chain";
    DamagedPackets: "damaged-packets";
    Dropouts: "dropouts";
    EmptyBand: "empty-band";
    EndOfSide: "end-of-side";
    EstimatorsDisagree: "estimators-disagree";
    FewTones: "few-tones";
    GenericStylus: "generic-stylus";
    HighSampleRate: "high-sample-rate";
    ImplausibleDelay: "implausible-delay";
    ImplausibleRotation: "implausible-rotation";
    ImpossibleLever: "impossible-lever";
    ImpulsiveProgramme: "impulsive-programme";
    InvertedPolarity: "inverted-polarity";
    KnowledgeUnused: "knowledge-unused";
    LengthNotInHeader: "length-not-in-header";
    LostChannel: "lost-channel";
    LostSamples: "lost-samples";
    LowSampleRate: "low-sample-rate";
    Misfit: "misfit";
    MonteCarloAgrees: "monte-carlo-agrees";
    MonteCarloDiffers: "monte-carlo-differs";
    MonteCarloIncomplete: "monte-carlo-incomplete";
    MonteCarloNonlinear: "monte-carlo-nonlinear";
    NarrowBand: "narrow-band";
    NoEstimate: "no-estimate";
    NoSignal: "no-signal";
    Noisy: "noisy";
    NonFiniteSamples: "non-finite-samples";
    NotConverged: "not-converged";
    NotMono: "not-mono";
    NothingInCommon: "nothing-in-common";
    OpposedWalls: "opposed-walls";
    Outlier: "outlier";
    PhaseShape: "phase-shape";
    PlannedCaptures: "planned-captures";
    ProgrammeEnds: "programme-ends";
    QuietNoise: "quiet-noise";
    RadiusOffTheRecord: "radius-off-the-record";
    RawMisread: "raw-misread";
    RawWithHeader: "raw-with-header";
    SameRecordingTwice: "same-recording-twice";
    SameSignal: "same-signal";
    Scatter: "scatter";
    ScatterBetweenDrops: "scatter-between-drops";
    SetupWithoutCaptures: "setup-without-captures";
    SharedNoise: "shared-noise";
    SphericalTip: "spherical-tip";
    Tracing: "tracing";
    TracingLeft: "tracing-left";
    TruncatedFile: "truncated-file";
    Unsteady: "unsteady";
    UnusedBitsInUse: "unused-bits-in-use";
    UnusualRadius: "unusual-radius";
    UnusualSpeed: "unusual-speed";
    Waiting: "waiting";
    WrappedLength: "wrapped-length";
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
