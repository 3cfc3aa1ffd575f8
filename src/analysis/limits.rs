//! Decision limits of the analysis, each with its reason.

// Reading again

/// A delay of more samples than this is small against a frame no longer (its loss of coherence
/// would be that of noise 50 dB down), so the recording is taken in again with the channels aligned.
pub(super) const ALIGN_BEYOND_SAMPLES: f64 = 8.0;
/// What tracing adds is taken out by the delay known so far; when the delay moves by more than this,
/// seconds, then again by the new one: about a fifth of a degree, of which tracing's own part is
/// small. Common practice, no source.
pub(super) const CONVERGED_S: f64 = 0.2e-6;
/// Maximum number of readings for that: each changes the delay less than the last one. Common practice, no
/// source.
pub(super) const MOST_READINGS: usize = 3;
/// Relative standard uncertainty of tracing's coefficient, which the noise in the velocity makes too
/// small, and by as much of what it moved the delay may be wrong (own simulations: 1 to 2 % of a
/// voice at 70 mm, 3 % of a train of pulses).
pub(super) const COEFFICIENT_RELATIVE_U: f64 = 0.02;
/// Maximum size of a spooled stream, bytes, at eight bytes per frame: an hour and a half at 96 kHz.
pub(super) const MOST_SPOOLED_BYTES: u64 = 1 << 32;

// Following a stream

/// Steps per second of stream, at each of which its state is available. Common practice, no source.
pub(super) const STEPS_PER_SECOND: u64 = 2;
/// Steps that make the short-term value: 4 s, short enough to watch a turn take effect, and eight
/// groups, of which the jackknife needs six.
pub(super) const RECENT_STEPS: usize = 8;
/// Programme that does not grow for so many steps has ended or pauses: the engine itself buffers a
/// beginning for one second (two steps).
pub(super) const PAUSE_STEPS: u64 = 4;
/// Steps from one judgement of the latest seconds to the next: half of what these last, so that half
/// of it is new each time.
pub(super) const JUDGE_STEPS: u64 = RECENT_STEPS as u64 / 2;
/// Judgements in a row that agree before a doubt is shown or withdrawn: the first and the last of
/// them have no sample in common, so noise alone seldom makes them agree. While the first seconds
/// gather, every step is judged, since each is a large part of what there is.
pub(super) const AGREEING_JUDGEMENTS: usize = RECENT_STEPS / JUDGE_STEPS as usize + 1;

// Bands of a side

/// The level is taken in cells so long, seconds: longer than a click.
pub(super) const CELL_S: f64 = 0.005;
/// Cells in a frame, the step of all times: a tenth of a second.
pub(super) const FRAME_CELLS: usize = 20;
/// Clicks in a frame that do not count for its level, which is that of the loudest cell but these; a
/// note struck twice in a second still counts.
pub(super) const IGNORED_CELLS: usize = 2;
/// What is lower is left out of the level, hertz: rumble, and hum by 30 dB. Common practice, no
/// source.
pub(super) const LOWEST_HZ: f64 = 300.0;
/// Shortest pause, frames: a second. The words of a voice are nearer to each other. Common practice,
/// no source.
pub(super) const SHORTEST_PAUSE_FRAMES: usize = 10;
/// Shortest band, frames: two revolutions at 33 1/3, so that the ticks of a run-out groove, one a
/// revolution, and a needle drop make none.
pub(super) const SHORTEST_BAND_FRAMES: usize = 36;

// Evidence

/// Stretches with less than this share of what an average one knows are not shown: the groove is
/// hardly modulated there, and their delay is noise.
pub(super) const LEAST_SHARE: f64 = 0.01;
