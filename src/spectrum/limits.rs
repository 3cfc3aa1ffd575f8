//! Decision limits of the cross-spectrum, each with its reason.
//!
//! Thresholds of warnings stand in [`crate::uncertainty::Warning`] instead.

/// Sample rates accepted, hertz: from telephone speech to the fastest converters.
pub(super) const SAMPLE_RATES_HZ: std::ops::RangeInclusive<f64> = 8_000.0..=768_000.0;
/// Highest frequency kept, hertz: what a groove and the usual converters carry.
pub const HIGHEST_HZ: f64 = 22_000.0;
/// Band of an analysis by default, hertz: above hum and rumble, low enough to see the equaliser's
/// slow terms; below the tip resonance of common cartridges (15 to 25 kHz, common practice, no
/// source).
pub(crate) const ANALYSIS_BAND_HZ: (f64, f64) = (100.0, 15_000.0);

// Signal quality and groups

/// A sample this near to full scale counts as clipped: one step of 16 bits.
pub const CLIPPED: f32 = 1.0 - 1.0 / 32_768.0;
/// Samples in a cell, the shortest silence that is a dropout: 0.7 ms at 96 kHz.
pub(super) const CELL: usize = 64;
/// Most groups kept; when they are full, neighbours are joined in pairs, so a long recording ends
/// with between half of it and all of it. Enough for a delete-a-group jackknife to know its
/// variance to a fifth.
pub(super) const MOST_GROUPS: usize = 64;
/// Frames in a group at first: a frame's length, as frames overlap by half.
pub(super) const FIRST_GROUP_FRAMES: u64 = 2;

// Activity: which frames are programme

/// Band in which the level of the programme is judged, hertz: above hum and rumble, below the
/// noise of a quiet treble.
pub(super) const LEVEL_BAND_HZ: (f64, f64) = (90.0, 16_000.0);
/// Programme quieter than this against the loudest second is left out of the sums: -30 dB, where
/// it could add a thousandth of the information.
pub(super) const ACTIVITY_RATIO: f64 = 1e-3;
/// Power ratio, 20 dB, by which a stretch must exceed all before it to make that a lead-in, which
/// then holds a hundredth of the information, and perhaps no less noise of the walls.
pub(crate) const LEAD_IN_RATIO: f64 = 1e-2;
/// A stretch shorter than this, seconds, between silences is no programme but a needle drop or a
/// tick of the run-out groove (whose period is 1.33 s at 45 rpm and 1.8 s at 33 1/3).
pub(crate) const SHORTEST_S: f64 = 1.0;
/// The same once programme has begun: the words of a voice are as short, and a tick is shorter.
pub(super) const SHORTEST_LATER_S: f64 = 0.3;
/// A silence this long ends a stretch, seconds: three frames, so that no single one does (common
/// practice, no source).
pub(super) const PAUSE_S: f64 = 0.1;
/// In a part that the user names, pauses count; but one this long after its first frames shows
/// that those were a needle drop (common practice, no source).
pub(super) const LONG_PAUSE_S: f64 = 5.0;
/// Time constant of the level, seconds: a dozen frames, half of the shortest stretch (common
/// practice, no source).
pub(super) const LEVEL_S: f64 = 0.5;
/// A frame counts for the level at most as this times the level so far, so that a needle drop is
/// not taken for the loudest programme: the level rises by 8 dB a second.
pub(super) const LEVEL_CLAMP: f64 = 2.0;
/// The quietest stretch holds what is within this factor, 2 dB, of its power (of the right
/// channel): noise scatters by 5 %. Common practice, no source.
pub(super) const QUIET_SPREAD: f64 = 1.6;
/// Frames of it that are enough: some forty seconds. Common practice, no source.
pub(super) const MOST_QUIET_FRAMES: u64 = 1000;

// Clicks: which frames are rejected

/// A frame holds a click when the power of its prediction residual (right channel from left)
/// exceeds that of the frames around by this factor, both by itself and relative to the
/// programme. In noise that power, over a thousand bins, scatters by about 5 %.
pub(super) const CLICK_RATIO: f64 = 2.0;
/// A residual this far below the programme, -60 dB, may be the rounding of single precision,
/// which is 2e-7 of a spectral line's power; a click as weak would move the delay by a millionth
/// of its own.
pub(super) const LEAST_RESIDUAL: f64 = 1e-6;
/// Frames around: the latest four seconds, whose median is known to a percent where single frames
/// scatter by 5 %.
pub(super) const MEDIAN_FRAMES: usize = 96;
/// Their median is taken anew after so many, a twelfth of them: it moves little in between.
pub(super) const MEDIAN_EVERY: u64 = 8;
/// Mean square error of the transfer function in a bin, relative, by which the bin counts half: a
/// programme 30 dB above its usual level there, which is predicted with that error, leaves a
/// residual as large as its noise.
pub(super) const HALF_WEIGHT_ERROR: f64 = 1e3;
/// Added to the error of a bin by itself, so that no bin decides alone.
pub(super) const LEAST_ERROR: f64 = 1e-4;
/// Mean square error of one gain and one delay for all bins: a sixth in amplitude, as caused
/// by resonances in the top octave (believed).
pub(super) const COMMON_ERROR: f64 = 0.03;
/// Rounds in which the predictor learns from the first stretch: each separates clicks better
/// (common practice, no source).
pub(super) const PREDICTOR_ROUNDS: usize = 3;
/// The predictor learns from one frame in so many: neighbours overlap, so little is lost.
pub(super) const LEARN_FROM: u64 = 4;
/// It learns anew when there are so many more of these: some three seconds.
pub(super) const LEARN_AFTER: f64 = 16.0;
/// It does so only when they are more by this fraction: fewer would change little.
pub(super) const LEARN_FRACTION: f64 = 0.125;
/// A frame whose tracing distortion exceeds the usual one by this power ratio holds a click
/// (common practice, no source).
pub(super) const IMPULSE_RATIO: f64 = 16.0;

// Tracing

/// Band of the velocity that is squared, hertz: the audible band, which holds a groove's programme.
pub(super) const VELOCITY_HZ: (f64, f64) = (20.0, 20_000.0);
/// Frames in a segment that gives a value of its own: a relative uncertainty of its scatter of an
/// eighth (normal law, `1 / sqrt(2 n)`).
pub(super) const SEGMENT_FRAMES: usize = 32;
/// The fewest of them: a quarter in the same law.
pub(super) const FEWEST_IN_SEGMENT: usize = 8;
/// One frame in so many is looked at in the first segment; in each further one, one in twice as
/// many, up to the second number: the radius changes steadily, and time grows with the logarithm.
pub(super) const STRIDES: (u64, u64) = (4, 128);
/// Rounds of the regression: each improves the noise of the bins and the detection of clicks
/// (common practice, no source).
pub(super) const TRACING_ROUNDS: usize = 4;
/// A frame holds a click when its residual has this times the median power; noise scatters by some
/// percent (common practice, no source).
pub(super) const TRACING_CLICK_RATIO: f64 = 3.0;
/// A frame holds a click, too, when its own coefficient is off by more than so many of its standard
/// uncertainties (normal law: one in two million) and this fraction, as the model is no better.
pub(super) const COEFFICIENT_OUTLIER: (f64, f64) = (5.0, 0.25);
/// Bins on either side whose noise is taken together: 17 know it to a quarter in one frame.
pub(super) const NEIGHBOURS: usize = 8;
/// Relative change of the groove's speed in a second, as a standard uncertainty: 0.2 mm of 100 mm,
/// twice what usual cuts have (common practice, no source).
pub(super) const CHANGE_PER_S: f64 = 0.002;
/// Most change of it about the middle of a recording: from 1 to 3, more than any side has.
pub(super) const MOST_CHANGE: f64 = 0.5;

// Coders with losses

/// Length of a cell, seconds: the blocks of usual coders last 10 to 26 ms (ISO/IEC 11172-3 and
/// 13818-7, RFC 6716; from memory).
pub(super) const CODER_CELL_S: f64 = 0.0213;
/// Bins of a cell, some 375 Hz: coders have bands of 100 Hz to 2 kHz (the same, from memory).
pub(super) const CODER_CELL_BINS: usize = 8;
/// Band looked at, hertz: below it rumble and wow move the difference, above it some coders have
/// nothing at all (common practice, no source).
pub(super) const CODER_BAND_HZ: (f64, f64) = (375.0, 12_000.0);
/// Octaves below its median at which the difference is missing, 13.5 dB: by the law one cell of
/// noise in a hundred thousand is (own trials with real music: 10 dB tells less, 16 dB no more).
pub(super) const MISSING_OCTAVES: f64 = 4.5;
/// Frames kept at most, 250 kB of them (common practice, no source); beyond, every other one is
/// looked at.
pub(super) const MOST_CODER_FRAMES: usize = 4096;
/// A frame is a click when more than this share of its treble lies within an eighth of it (common
/// practice, no source): music's attacks last longer.
pub(super) const CLICK_SHARE: f64 = 0.5;

// Tones

/// Step at which the phase of a tone is followed, seconds: 50 Hz to either side, which is 1.6 % of 3150 Hz.
pub(super) const ONCE_AROUND_CELL_S: f64 = 0.01;
/// Lines beside that of one revolution, counted in periods of the whole, by whose size noise is judged: not the
/// next one, which a speed that is off by some tenths of a percent reaches; eight in all know it to a quarter.
pub(super) const NEIGHBOURING: [u32; 2] = [2, 5];
/// Length of a frame, seconds: bins 4 Hz wide.
pub(super) const TONE_FRAME_S: f64 = 0.25;
/// Rumble and hum lie below, hertz.
pub(super) const LOWEST_TONE_HZ: f64 = 200.0;
/// What wow and the window spread a tone over, to either side, hertz: 5 % of 1 kHz, and three bins.
pub(super) const TONE_REACH_HZ: f64 = 60.0;
