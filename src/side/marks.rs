//! Coded marks, which locate a recording on the side.
//!
//! A mark is seven chirps in a row, each rising or falling: a word of the Hamming code (Hamming
//! 1950, "Error detecting and error correcting codes"), which is the mark's number. The period of
//! a chirp changes evenly with time (linear-period modulation; Kroszczynski 1969, "Pulse
//! compression by means of linear-period modulation"), so that another speed shifts a chirp and
//! changes nothing else of it: one filter finds it at any speed.

use crate::capture::Stereo;
use crate::spectrum::Complex64;
use rustfft::{Fft, FftPlanner};
use std::collections::VecDeque;
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

/// Band of a chirp, hertz: above hum, below what worn grooves and slow sample rates lose.
pub const BAND_HZ: [f64; 2] = [1000.0, 4000.0];
/// Length of a chirp, seconds.
pub const CHIRP_S: f64 = 0.12;
/// From one chirp to the next.
pub const SLOT_S: f64 = 0.18;
/// Chirps in a mark.
pub const SLOTS: usize = 7;
/// Length of a mark.
pub const LENGTH_S: f64 = (SLOTS - 1) as f64 * SLOT_S + CHIRP_S;
/// Change of the period, seconds a second.
const RATE: f64 = (1.0 / BAND_HZ[0] - 1.0 / BAND_HZ[1]) / CHIRP_S;
/// Fades at the ends of a chirp, seconds.
const FADE_S: f64 = 0.01;

/// Squared correlation that a chirp is told by. With a quarter of a chirp's `CHIRP_S * 3000` degrees
/// of freedom, noise exceeds it once in 1e11 independent places, `(1 - x)^(n - 1)`, of which a
/// side has some millions. It is what a chirp has in noise of three times its power.
const LEAST_CORRELATION: f64 = 0.25;
/// Chirps of a mark that have to be told; the code's distance is 3, so that any two may fail.
const LEAST_CHIRPS: usize = SLOTS - 2;
/// Range of speeds, as a relative stretch of time either way: three times the error of a
/// defective turntable (common practice, no source).
const MOST_STRETCH: f64 = 0.03;
/// Root mean square of the chirps' departures from even spacing, seconds: wow of 0.2 % moves them
/// by a third of a millisecond.
pub const MOST_SPACING_RMS_S: f64 = 1e-3;

/// A detected mark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DetectedMark {
    /// Its number, counted from 0.
    pub number: usize,
    /// Its start, seconds.
    pub at_s: f64,
    /// How much longer it lasted than at the cut.
    pub stretch: f64,
    /// Mean squared correlation of the chirps.
    pub correlation: f64,
}

/// Which chirps of a mark rise: the word of the (7, 4) code for its number and one, since the
/// word for 0 is all alike.
pub fn code(number: usize) -> [bool; SLOTS] {
    let d = [0, 1, 2, 3].map(|bit| (number + 1) >> bit & 1 == 1);
    [
        d[0],
        d[1],
        d[2],
        d[3],
        d[0] ^ d[1] ^ d[3],
        d[0] ^ d[2] ^ d[3],
        d[1] ^ d[2] ^ d[3],
    ]
}

/// Numbers that the code has words for, the two that are all alike left out.
const NUMBERS: usize = 14;

/// A chirp at a time from its start, as an analytic signal of size 1.
pub fn chirp(rising: bool, at_s: f64) -> Complex64 {
    if !(0.0..CHIRP_S).contains(&at_s) {
        return Complex64::ZERO;
    }
    let edge = (at_s.min(CHIRP_S - at_s) / FADE_S).min(1.0);
    let at = if rising { at_s } else { CHIRP_S - at_s };
    let phase = -TAU / RATE * (1.0 - RATE * BAND_HZ[0] * at).ln();
    let size = 0.5 - 0.5 * (PI * edge).cos();
    Complex64::from_polar(size, if rising { phase } else { -phase })
}

/// Seconds by which a chirp seems late for each unit of stretch.
fn shift(rising: bool) -> f64 {
    match rising {
        true => 1.0 / (BAND_HZ[0] * RATE),
        false => -1.0 / (BAND_HZ[1] * RATE),
    }
}

/// A detected chirp.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Peak {
    rising: bool,
    at_s: f64,
    /// Squared correlation.
    correlation: f64,
}

/// Finds marks in a recording that passes in blocks of any size. Either channel will do, in
/// either polarity.
pub struct Finder {
    rate: f64,
    forward: Arc<dyn Fft<f64>>,
    backward: Arc<dyn Fft<f64>>,
    /// Transforms of the two chirps over the bins of the band.
    chirps: [Vec<Complex64>; 2],
    /// Energy of a chirp.
    energy: [f64; 2],
    first_bin: usize,
    waiting: VecDeque<Complex64>,
    /// Samples that are done with.
    done: u64,
    peaks: Vec<Peak>,
}

impl Finder {
    /// For a recording of this sample rate.
    pub fn new(rate_hz: u32) -> Self {
        let rate = f64::from(rate_hz);
        let length = ((8.0 * CHIRP_S * rate) as usize).next_power_of_two();
        let mut planner = FftPlanner::new();
        let forward = planner.plan_fft_forward(length);
        let bin = |hertz: f64| (hertz * length as f64 / rate) as usize;
        let [low, high] = [
            BAND_HZ[0] * (1.0 - 2.0 * MOST_STRETCH),
            BAND_HZ[1] * (1.0 + MOST_STRETCH),
        ];
        let first_bin = bin(low);
        let bins = bin(high) - first_bin;
        let backward = planner.plan_fft_inverse(bins.next_power_of_two());
        let transformed = |rising: bool| {
            let mut data: Vec<Complex64> = (0..length)
                .map(|k| chirp(rising, k as f64 / rate))
                .collect();
            forward.process(&mut data);
            data[first_bin..][..bins].to_vec()
        };
        let chirps = [transformed(false), transformed(true)];
        let energy = [0, 1].map(|k: usize| {
            let sum: f64 = chirps[k].iter().map(Complex64::norm_sqr).sum();
            sum / length as f64
        });
        Self {
            rate,
            forward,
            backward,
            chirps,
            energy,
            first_bin,
            waiting: VecDeque::new(),
            done: 0,
            peaks: Vec::new(),
        }
    }

    /// Takes in a block.
    pub fn push(&mut self, block: &Stereo) {
        let samples = block.left.iter().zip(&block.right);
        let samples = samples.map(|(l, r)| Complex64::new(f64::from(*l), f64::from(*r)));
        self.waiting.extend(samples);
        while self.waiting.len() >= self.forward.len() {
            self.frame();
        }
    }

    /// The marks, in the order of the recording.
    pub fn finish(mut self) -> Vec<DetectedMark> {
        // what is left, and silence behind it
        let frames = self.waiting.len().div_ceil(self.step());
        for _ in 0..frames {
            self.waiting.resize(self.forward.len(), Complex64::ZERO);
            self.frame();
        }
        marks(&self.peaks)
    }

    /// Samples between two places of the correlation.
    fn spacing(&self) -> usize {
        self.forward.len() / self.backward.len()
    }

    /// Samples from frame to frame: what a chirp that begins in them needs remains.
    fn step(&self) -> usize {
        let room = ((1.0 + MOST_STRETCH) * CHIRP_S * self.rate) as usize + 2 * self.spacing();
        (self.forward.len() - room) / self.spacing() * self.spacing()
    }

    /// Correlates one frame with both chirps, notes where they are, and steps on.
    fn frame(&mut self) {
        let length = self.forward.len();
        let mut data: Vec<Complex64> = self.waiting.iter().take(length).copied().collect();
        self.forward.process(&mut data);
        let bins = self.chirps[0].len();
        let channel = |k: usize, right: bool| {
            let (a, b) = (data[self.first_bin + k], data[length - self.first_bin - k]);
            match right {
                false => 0.5 * (a + b.conj()),
                true => Complex64::new(0.0, -0.5) * (a - b.conj()),
            }
        };
        let places = self.backward.len();
        let signal = |of: &dyn Fn(usize, bool) -> Complex64| -> [Vec<Complex64>; 2] {
            [false, true].map(|right| {
                let mut all = vec![Complex64::ZERO; places];
                for (k, value) in all.iter_mut().enumerate().take(bins) {
                    *value = of(k, right) / length as f64;
                }
                self.backward.process(&mut all);
                all
            })
        };
        // energy of both channels from the frame's start on
        let plain = signal(&channel);
        let mut energy = vec![0.0; places + 1];
        for k in 0..places {
            let power = plain[0][k].norm_sqr() + plain[1][k].norm_sqr();
            energy[k + 1] = energy[k] + power * self.spacing() as f64;
        }
        let chirp_places = (CHIRP_S * self.rate) as usize / self.spacing() + 1;
        let steps = self.step() / self.spacing();
        let mut found = Vec::new();
        for (rising, chirp) in [false, true].into_iter().zip(&self.chirps) {
            let both = signal(&|k, right| channel(k, right) * chirp[k].conj());
            let squared = |k: usize| {
                let energy = energy[(k + chirp_places).min(places)] - energy[k];
                let own = both[0][k].norm_sqr() + both[1][k].norm_sqr();
                match energy > 0.0 {
                    true => own / (energy * self.energy[usize::from(rising)]),
                    false => 0.0,
                }
            };
            // the first place belongs to the frame before, but at the start
            let mut before = squared(0);
            let mut here = squared(1);
            for k in 1..=steps {
                let after = squared(k + 1);
                if here >= LEAST_CORRELATION && here > before && here >= after {
                    // the top of the parabola through the three
                    let top = 0.5 * (before - after) / (before - 2.0 * here + after);
                    let samples = (k as f64 + top) * self.spacing() as f64;
                    found.push(Peak {
                        rising,
                        at_s: (self.done as f64 + samples) / self.rate,
                        correlation: here,
                    });
                }
                (before, here) = (here, after);
            }
        }
        for peak in found {
            self.note(peak);
        }
        let step = self.step().min(self.waiting.len());
        self.waiting.drain(..step);
        self.done += step as u64;
    }

    /// Keeps the highest of neighbouring peaks.
    fn note(&mut self, peak: Peak) {
        let near = |other: &&mut Peak| {
            other.rising == peak.rising && (other.at_s - peak.at_s).abs() < 0.5 * SLOT_S
        };
        match self.peaks.iter_mut().rev().take(8).find(near) {
            Some(other) if other.correlation >= peak.correlation => {}
            Some(other) => *other = peak,
            None => self.peaks.push(peak),
        }
    }
}

/// The marks that chirps make, in the order of time.
fn marks(peaks: &[Peak]) -> Vec<DetectedMark> {
    let mut peaks = peaks.to_vec();
    peaks.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let mut candidates: Vec<DetectedMark> = Vec::new();
    for anchor in &peaks {
        for slot in 0..=SLOTS - LEAST_CHIRPS {
            candidates.extend(read(&peaks, anchor.at_s - slot as f64 * SLOT_S));
        }
    }
    candidates.sort_by(|a, b| b.correlation.total_cmp(&a.correlation));
    let mut found: Vec<DetectedMark> = Vec::new();
    for mark in candidates {
        let apart = |other: &DetectedMark| (other.at_s - mark.at_s).abs() > LENGTH_S;
        if found.iter().all(apart) {
            found.push(mark);
        }
    }
    found.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    found
}

/// The mark that begins at about a time, if there is one.
fn read(peaks: &[Peak], at_s: f64) -> Option<DetectedMark> {
    let first = peaks.partition_point(|peak| peak.at_s < at_s - SLOT_S);
    let near = &peaks[first..];
    let near = &near[..near.partition_point(|peak| peak.at_s < at_s + LENGTH_S + SLOT_S)];
    let at_slot = |slot: usize, rising: bool| {
        let room = MOST_STRETCH * (slot as f64 * SLOT_S + 2.0 * shift(true));
        let wanted = at_s + slot as f64 * SLOT_S;
        let fits = |p: &&Peak| p.rising == rising && (p.at_s - wanted).abs() <= room;
        near.iter()
            .filter(fits)
            .max_by(|a, b| a.correlation.total_cmp(&b.correlation))
    };
    let words = (0..NUMBERS).filter_map(|number| {
        let chirps = code(number).into_iter().enumerate();
        let told: Vec<(usize, &Peak)> = chirps
            .filter_map(|(slot, rising)| Some((slot, at_slot(slot, rising)?)))
            .collect();
        let sum: f64 = told.iter().map(|(_, peak)| peak.correlation).sum();
        (told.len() >= LEAST_CHIRPS).then_some((number, told, sum / SLOTS as f64))
    });
    let (number, told, correlation) = words.max_by(|a, b| a.2.total_cmp(&b.2))?;
    // the start and the stretch by least squares: each chirp at its slot, both stretched, and
    // shifted by the stretch
    let rows = told.iter().map(|(slot, peak)| {
        let nominal = *slot as f64 * SLOT_S;
        (nominal + shift(peak.rising), peak.at_s - nominal)
    });
    let n = told.len() as f64;
    let mean = |values: [f64; 2], row: (f64, f64)| [values[0] + row.0 / n, values[1] + row.1 / n];
    let [x, y] = rows.clone().fold([0.0; 2], mean);
    let (mut xx, mut xy) = (0.0, 0.0);
    for row in rows.clone() {
        xx += (row.0 - x).powi(2);
        xy += (row.0 - x) * (row.1 - y);
    }
    let excess = xy / xx;
    let start = y - excess * x;
    let left: f64 = rows
        .map(|row| (row.1 - start - excess * row.0).powi(2))
        .sum();
    let even = (left / n).sqrt() <= MOST_SPACING_RMS_S && excess.abs() <= MOST_STRETCH;
    even.then_some(DetectedMark {
        number,
        at_s: start,
        stretch: 1.0 + excess,
        correlation,
    })
}

#[cfg(test)]
mod tests {
    use super::super::{Cue, PARTS, SideSignal, last_mark_s, length_s, places, stretch};
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    const RATE_HZ: u32 = 12_000;

    #[test]
    fn words_differ_in_three_chirps_and_none_is_all_alike() {
        for a in 0..NUMBERS {
            let word = code(a);
            assert!(word.contains(&true) && word.contains(&false), "{a}");
            for b in 0..a {
                let other = code(b);
                let apart = word.iter().zip(other).filter(|(x, y)| **x != *y).count();
                assert!(apart >= 3, "{a} {b}");
            }
        }
        // each part of the side has a mark before it, and one ends the side
        assert_eq!(PARTS.len() + 1, NUMBERS);
    }

    /// A chirp played at another speed is the same chirp at another time.
    #[test]
    fn another_speed_shifts_a_chirp() {
        for rising in [false, true] {
            for stretch in [0.97f64, 1.03] {
                let late = (stretch - 1.0) * shift(rising);
                let phases: Vec<f64> = (20..100)
                    .map(|k| {
                        let at = f64::from(k) * 1e-3;
                        let played = chirp(rising, at / stretch);
                        let shifted = chirp(rising, at - late);
                        (played * shifted.conj()).arg()
                    })
                    .collect();
                for phase in &phases {
                    let turn = (phase - phases[0] + PI).rem_euclid(TAU) - PI;
                    assert!(turn.abs() < 1e-6, "{rising} {stretch} {phase}");
                }
            }
        }
    }

    /// A recording of the side, impaired: from a time on, for some seconds, at another speed with
    /// wow, with noise, clicks, hum, a channel's polarity and unlike gains. Returns the finder
    /// and, for each time at the cut, the time in the recording.
    struct ImpairedRecording {
        seed: u64,
        from_s: f64,
        seconds: f64,
        speed: f64,
        wow: f64,
        snr_db: f64,
        clicks_per_s: f64,
    }

    impl ImpairedRecording {
        /// One of many, drawn.
        fn drawn(seed: u64, seconds: f64) -> Self {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            Self {
                seed,
                from_s: random.random_range(0.0..length_s() - seconds),
                seconds,
                speed: 1.0 + random.random_range(-0.01..0.01),
                wow: random.random_range(0.0..0.003),
                snr_db: 40.0,
                clicks_per_s: random.random_range(0.0..10.0),
            }
        }

        /// Time at the cut of a time in the recording.
        fn cut_s(&self, at_s: f64) -> f64 {
            let turn = TAU * super::super::RPM / 60.0;
            let phase = self.seed as f64;
            let swing = ((turn * at_s + phase).cos() - phase.cos()) / turn;
            self.from_s + self.speed * (at_s - self.wow * swing)
        }

        /// The recording.
        fn recording(&self, cut: &Stereo) -> Stereo {
            let mut random = ChaCha8Rng::seed_from_u64(self.seed ^ 0x5eed);
            let rate = f64::from(RATE_HZ);
            let power: f64 = cut.left.iter().map(|v| f64::from(*v).powi(2)).sum();
            let rms = (power / cut.left.len() as f64).sqrt();
            let noise = rms * 10f64.powf(-self.snr_db / 20.0);
            let mut played = Stereo::default();
            for k in 0..(self.seconds * rate) as usize {
                let place = self.cut_s(k as f64 / rate) * rate;
                let (whole, part) = (place.floor(), place.fract());
                // a parabola's neighbour, the cubic of Catmull and Rom
                let at = |samples: &[f32], off: isize| {
                    let index = whole as isize + off;
                    usize::try_from(index)
                        .ok()
                        .and_then(|i| samples.get(i))
                        .map_or(0.0, |v| f64::from(*v))
                };
                let read = |s: &[f32]| {
                    let [a, b, c, d] = [-1, 0, 1, 2].map(|off| at(s, off));
                    b + 0.5
                        * part
                        * (c - a
                            + part
                                * (2.0 * a - 5.0 * b + 4.0 * c - d
                                    + part * (3.0 * (b - c) + d - a)))
                };
                let mut draw = || noise * random.sample::<f64, _>(StandardNormal);
                let (mut left, mut right) =
                    (read(&cut.left) + draw(), -0.7 * read(&cut.right) + draw());
                if random.random::<f64>() < self.clicks_per_s / rate {
                    left += random.random_range(-1.0..1.0);
                    right += random.random_range(-1.0..1.0);
                }
                left += 0.01 * (TAU * 50.0 * k as f64 / rate).sin();
                played.left.push(left as f32);
                played.right.push(right as f32);
            }
            played
        }

        /// Holds that every mark that is there as a whole is found, at its time, and that
        /// nothing else is; and so for the parts of the side. Returns the worst errors of a
        /// mark's time and of the speed.
        fn hold(&self, cut: &Stereo) -> [f64; 2] {
            let played = self.recording(cut);
            let mut finder = Finder::new(RATE_HZ);
            for k in (0..played.left.len()).step_by(7777) {
                let end = (k + 7777).min(played.left.len());
                finder.push(&Stereo {
                    left: played.left[k..end].to_vec(),
                    right: played.right[k..end].to_vec(),
                });
            }
            let found = finder.finish();
            let cues = Cue::all();
            let mut times = [0.0f64; 2];
            let mut there = 0;
            for number in 0..NUMBERS {
                let begin = cues.get(number).map_or_else(last_mark_s, |c| c.mark_s);
                let (first, last) = (self.cut_s(0.0), self.cut_s(self.seconds));
                let mark = found.iter().find(|mark| mark.number == number);
                if begin < first + 0.01 || begin + LENGTH_S > last - 0.01 {
                    continue;
                }
                there += 1;
                let mark = mark.unwrap_or_else(|| panic!("seed {}: mark {number}", self.seed));
                let error = (self.cut_s(mark.at_s) - begin).abs();
                times[0] = times[0].max(error);
                assert!(error < 2e-3, "seed {}: {mark:?} {error}", self.seed);
            }
            // marks at the very ends may be there or not
            assert!(found.len() <= there + 2, "seed {}: {found:?}", self.seed);
            if there > 1 {
                let speed = stretch(&found).unwrap().recip();
                times[1] = (speed / self.speed - 1.0).abs();
                assert!(times[1] < 1e-4, "seed {}: {speed}", self.seed);
            }
            for (place, cue) in places(&found, self.seconds).iter().zip(cues) {
                let Some(place) = place else { continue };
                for (at, cut) in place.iter().zip(cue.span_s) {
                    assert!(
                        (self.cut_s(*at) - cut).abs() < 0.05,
                        "seed {}: {cue:?}",
                        self.seed
                    );
                }
            }
            times
        }
    }

    fn side() -> Stereo {
        let mut signal = SideSignal::new(RATE_HZ * 4);
        let mut all = Stereo::default();
        // every fourth sample of a mean of four: the marks lie far below the new half rate
        loop {
            let block = signal.next(4 * 48_000);
            if block.left.is_empty() {
                return all;
            }
            let thin = |samples: &[f32]| -> Vec<f32> {
                let four = samples.as_chunks::<4>().0.iter();
                four.map(|c| c.iter().sum::<f32>() / 4.0).collect()
            };
            all.left.extend(thin(&block.left));
            all.right.extend(thin(&block.right));
        }
    }

    #[test]
    fn marks_are_found_in_impaired_recordings() {
        let cut = side();
        for seed in 0..4 {
            ImpairedRecording::drawn(seed, 130.0).hold(&cut);
        }
        // and the whole side, worn and slow
        let whole = ImpairedRecording {
            seed: 9,
            from_s: 0.0,
            seconds: length_s(),
            speed: 0.99,
            wow: 0.002,
            snr_db: 25.0,
            clicks_per_s: 10.0,
        };
        whole.hold(&cut);
    }

    /// The promise: 100 of 100.
    #[test]
    #[ignore = "a proof of minutes"]
    fn marks_are_found_in_a_hundred_of_a_hundred_recordings() {
        let cut = side();
        let worst = (100..200).map(|seed| ImpairedRecording::drawn(seed, 130.0).hold(&cut));
        let worst = worst.fold([0.0f64; 2], |w, e| [w[0].max(e[0]), w[1].max(e[1])]);
        println!(
            "worst time {:.2e} s, worst speed {:.2e}",
            worst[0], worst[1]
        );
    }

    /// Noise, tones and the noise of another seed make no mark.
    #[test]
    fn nothing_else_is_a_mark() {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        let mut finder = Finder::new(RATE_HZ);
        for second in 0..60 {
            let samples: Vec<f32> = (0..RATE_HZ)
                .map(|k| {
                    let at = f64::from(k) / f64::from(RATE_HZ);
                    let noise = random.sample::<f64, _>(StandardNormal);
                    let tone = (TAU * (700.0 + 60.0 * f64::from(second)) * at).sin();
                    let sweep = (TAU * (500.0 + 2000.0 * at) * at).sin();
                    (0.02 * noise + 0.1 * tone + 0.1 * sweep) as f32
                })
                .collect();
            finder.push(&Stereo {
                left: samples.clone(),
                right: samples,
            });
        }
        assert_eq!(finder.finish(), []);
    }
}
