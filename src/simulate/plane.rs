//! Signals too long for the memory, and their transforms as a whole.
//!
//! A [`Plane`] holds `N = rows * columns` complex numbers in a temporary file (a short one in
//! memory) and transforms them in two passes (Bailey 1990, "FFTs in external or hierarchical
//! memory"): along the columns, a turn by `n2 k1 / N`, along the rows. Time is kept row by
//! row, `n = n1 * columns + n2`, and frequency column by column, `k = k1 + rows * k2`, so
//! nothing needs to be sorted. At most some panels of `PANEL` numbers are in memory.
//!
//! Two real signals make one complex one, left and right. Their spectra are told apart by
//! `L[k] = (Z[k] + Z*[N - k]) / 2` and `R[k] = (Z[k] - Z*[N - k]) / 2j`.

use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use rustfft::{Fft, FftPlanner};
use std::f64::consts::TAU;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

/// Numbers of a panel, 8 MB: large enough that a pass reads stretches of a kilobyte.
const PANEL: usize = 1 << 19;

/// Bytes of a number.
const SIZE: usize = 16;

/// Complex numbers, in memory or in a file that is gone when it is closed.
#[derive(Debug)]
enum Cells {
    Memory(Vec<Complex64>),
    Disk { file: File, bytes: Vec<u8> },
}

impl Cells {
    fn new(length: usize, folder: &Path) -> io::Result<Self> {
        if length <= PANEL {
            return Ok(Self::Memory(vec![Complex64::ZERO; length]));
        }
        let file = tempfile::tempfile_in(folder)?;
        file.set_len((length * SIZE) as u64)?;
        Ok(Self::Disk {
            file,
            bytes: Vec::new(),
        })
    }

    fn read(&mut self, from: usize, into: &mut [Complex64]) -> io::Result<()> {
        match self {
            Self::Memory(cells) => into.copy_from_slice(&cells[from..][..into.len()]),
            Self::Disk { file, bytes } => {
                bytes.resize(into.len() * SIZE, 0);
                file.seek(SeekFrom::Start((from * SIZE) as u64))?;
                file.read_exact(bytes)?;
                for (cell, bytes) in into.iter_mut().zip(bytes.as_chunks::<SIZE>().0) {
                    let bits = u128::from_le_bytes(*bytes);
                    *cell = Complex64::new(
                        f64::from_bits(bits as u64),
                        f64::from_bits((bits >> 64) as u64),
                    );
                }
            }
        }
        Ok(())
    }

    fn write(&mut self, to: usize, from: &[Complex64]) -> io::Result<()> {
        match self {
            Self::Memory(cells) => cells[to..][..from.len()].copy_from_slice(from),
            Self::Disk { file, bytes } => {
                bytes.clear();
                for cell in from {
                    bytes.extend_from_slice(&cell.re.to_le_bytes());
                    bytes.extend_from_slice(&cell.im.to_le_bytes());
                }
                file.seek(SeekFrom::Start((to * SIZE) as u64))?;
                file.write_all(bytes)?;
            }
        }
        Ok(())
    }
}

/// Two real signals of one length, or their spectra; zero at first.
#[derive(Debug)]
pub struct Plane {
    rows: usize,
    columns: usize,
    cells: Cells,
    /// Left and right signal is zero throughout, and rounding in the other does not change it.
    silent: [bool; 2],
}

/// Which way a transform goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    /// To frequency.
    Forward,
    /// To time.
    Inverse,
}

impl Plane {
    /// Room for `length` samples; what does not fit into memory is kept in `folder`.
    pub fn new(length: usize, folder: &Path) -> io::Result<Self> {
        // As square as its divisors allow; an even number of columns, if there is one, so
        // that the mirror image of a column is another column.
        let even = length.is_multiple_of(2);
        let columns = (length.isqrt().max(1)..=length)
            .find(|c| length.is_multiple_of(*c) && (!even || c.is_multiple_of(2)))
            .unwrap_or(1);
        Ok(Self {
            rows: length / columns,
            columns,
            cells: Cells::new(length, folder)?,
            silent: [true; 2],
        })
    }

    /// Samples, or bins.
    pub fn len(&self) -> usize {
        self.rows * self.columns
    }

    /// Whether there is room for nothing.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Samples of both signals from an index on, left as real part.
    pub fn read(&mut self, from: usize, into: &mut [Complex64]) -> io::Result<()> {
        self.cells.read(from, into)?;
        let [left, right] = self.silent;
        if left || right {
            let keep = |value: f64, silent| if silent { 0.0 } else { value };
            for z in into {
                *z = Complex64::new(keep(z.re, left), keep(z.im, right));
            }
        }
        Ok(())
    }

    /// Sets samples from an index on.
    pub fn write(&mut self, to: usize, from: &[Complex64]) -> io::Result<()> {
        self.silent[0] &= from.iter().all(|z| z.re == 0.0);
        self.silent[1] &= from.iter().all(|z| z.im == 0.0);
        self.cells.write(to, from)
    }

    /// Columns of a panel.
    fn width(&self) -> usize {
        (PANEL / self.rows).max(1)
    }

    /// Some columns, one after the other: bins in their order.
    fn columns(&mut self, columns: Range<usize>) -> io::Result<Vec<Complex64>> {
        let mut panel = vec![Complex64::ZERO; columns.len() * self.rows];
        let mut part = vec![Complex64::ZERO; columns.len()];
        for row in 0..self.rows {
            let at = row * self.columns + columns.start;
            self.cells.read(at, &mut part)?;
            for (column, value) in part.iter().enumerate() {
                panel[column * self.rows + row] = *value;
            }
        }
        Ok(panel)
    }

    fn set_columns(&mut self, columns: Range<usize>, panel: &[Complex64]) -> io::Result<()> {
        let mut part = vec![Complex64::ZERO; columns.len()];
        for row in 0..self.rows {
            for (column, value) in part.iter_mut().enumerate() {
                *value = panel[column * self.rows + row];
            }
            let at = row * self.columns + columns.start;
            self.cells.write(at, &part)?;
        }
        Ok(())
    }

    /// Time into frequency, divided by the length: bin k of `a cos(2 pi k n / N)` is `a / 2`,
    /// at any rate.
    pub fn analyse(&mut self) -> io::Result<()> {
        let scale = 1.0 / self.len() as f64;
        self.pass_columns(Way::Forward)?;
        self.pass_rows(Way::Forward, scale)
    }

    /// Frequency, as [`Self::analyse`] gives it, into time.
    pub fn synthesise(&mut self) -> io::Result<()> {
        self.pass_rows(Way::Inverse, 1.0)?;
        self.pass_columns(Way::Inverse)
    }

    /// Transforms each column, and turns by the part of the phase that neither rows nor
    /// columns hold.
    fn pass_columns(&mut self, way: Way) -> io::Result<()> {
        let (rows, length) = (self.rows, self.len());
        let fft = plan(way, rows);
        let turn = |column: usize, values: &mut [Complex64]| {
            for (row, value) in values.iter_mut().enumerate() {
                let phase = TAU * ((column * row) % length) as f64 / length as f64;
                let turn = Complex64::cis(phase);
                *value *= if way == Way::Forward {
                    turn.conj()
                } else {
                    turn
                };
            }
        };
        for first in (0..self.columns).step_by(self.width()) {
            let columns = first..(first + self.width()).min(self.columns);
            let mut panel = self.columns(columns.clone())?;
            panel
                .par_chunks_mut(rows)
                .zip(columns.clone())
                .for_each(|(values, column)| {
                    if way == Way::Inverse {
                        turn(column, values);
                    }
                    fft.process(values);
                    if way == Way::Forward {
                        turn(column, values);
                    }
                });
            self.set_columns(columns, &panel)?;
        }
        Ok(())
    }

    fn pass_rows(&mut self, way: Way, scale: f64) -> io::Result<()> {
        let columns = self.columns;
        let fft = plan(way, columns);
        let height = (PANEL / columns).max(1);
        let mut panel = vec![Complex64::ZERO; height.min(self.rows) * columns];
        for first in (0..self.rows).step_by(height) {
            let rows = height.min(self.rows - first);
            let panel = &mut panel[..rows * columns];
            self.cells.read(first * columns, panel)?;
            panel.par_chunks_mut(columns).for_each(|row| {
                fft.process(row);
                row.iter_mut().for_each(|value| *value *= scale);
            });
            self.cells.write(first * columns, panel)?;
        }
        Ok(())
    }

    /// The spectrum of the left signal where the right one is zero, bin by bin up to half the
    /// rate.
    pub fn bins(&mut self) -> Bins<'_> {
        Bins {
            left: self.len() / 2 + 1,
            plane: self,
            column: 0,
            panel: Vec::new(),
            taken: 0,
        }
    }

    /// The spectra of the two signals, bin by bin up to half of them. The length must be even.
    pub fn spectra(&mut self) -> Spectra<'_> {
        Spectra {
            plane: self,
            column: 0,
            panel: Vec::new(),
            mirror: Vec::new(),
            taken: 0,
            before: Complex64::ZERO,
        }
    }

    /// Sets the spectra of the two signals. `fill` gets the index of a bin and room for the
    /// spectra from there on, zero at first; that goes up to half of the bins, the last of
    /// which stays zero. The length must be even.
    pub fn set_spectra(
        &mut self,
        mut fill: impl FnMut(usize, &mut [Complex64], &mut [Complex64]) -> io::Result<()>,
    ) -> io::Result<()> {
        let half = self.columns / 2;
        self.silent = [true; 2];
        for first in (0..half).step_by(self.width()) {
            let columns = first..(first + self.width()).min(half);
            let length = columns.len() * self.rows;
            let mut left = vec![Complex64::ZERO; length];
            let mut right = left.clone();
            fill(first * self.rows, &mut left, &mut right)?;
            for (silent, signal) in self.silent.iter_mut().zip([&left, &right]) {
                *silent &= signal.iter().all(|bin| *bin == Complex64::ZERO);
            }
            if first == 0 {
                left[0].im = 0.0;
                right[0].im = 0.0;
            }
            let mut mirror = vec![Complex64::ZERO; length];
            let mut opposite = Complex64::ZERO;
            for (k, (left, right)) in left.iter_mut().zip(&right).enumerate() {
                let reflected = left.conj() + right.conj() * Complex64::I;
                *left += right * Complex64::I;
                if k == 0 {
                    opposite = reflected;
                } else {
                    mirror[length - k] = reflected;
                }
            }
            let behind = self.columns - columns.end..self.columns - columns.start;
            // the first bin's image begins the columns behind those
            if first > 0 {
                self.cells.write(behind.end, &[opposite])?;
            }
            self.set_columns(behind, &mirror)?;
            self.set_columns(columns, &left)?;
        }
        Ok(())
    }
}

fn plan(way: Way, length: usize) -> Arc<dyn Fft<f64>> {
    let mut planner = FftPlanner::new();
    match way {
        Way::Forward => planner.plan_fft_forward(length),
        Way::Inverse => planner.plan_fft_inverse(length),
    }
}

/// See [`Plane::bins`].
#[derive(Debug)]
pub struct Bins<'a> {
    /// Bins still to come.
    left: usize,
    plane: &'a mut Plane,
    column: usize,
    panel: Vec<Complex64>,
    taken: usize,
}

impl Bins<'_> {
    /// The next bins; zero beyond the last.
    pub fn next(&mut self, into: &mut [Complex64]) -> io::Result<()> {
        let (known, beyond) = into.split_at_mut(self.left.min(into.len()));
        self.left -= known.len();
        beyond.fill(Complex64::ZERO);
        for bin in known {
            if self.taken == self.panel.len() {
                let end = (self.column + self.plane.width()).min(self.plane.columns);
                self.panel = self.plane.columns(self.column..end)?;
                (self.column, self.taken) = (end, 0);
            }
            *bin = self.panel[self.taken];
            self.taken += 1;
        }
        Ok(())
    }
}

/// See [`Plane::spectra`].
#[derive(Debug)]
pub struct Spectra<'a> {
    plane: &'a mut Plane,
    column: usize,
    panel: Vec<Complex64>,
    /// The columns that mirror the panel.
    mirror: Vec<Complex64>,
    taken: usize,
    /// The first number behind those columns, which mirrors the panel's first.
    before: Complex64,
}

impl Spectra<'_> {
    /// The next bins of left and right; zero from half of all bins on.
    pub fn next(&mut self, left: &mut [Complex64], right: &mut [Complex64]) -> io::Result<()> {
        for (left, right) in left.iter_mut().zip(right) {
            if self.taken == self.panel.len() && self.column < self.plane.columns / 2 {
                self.load()?;
            }
            let Some(&here) = self.panel.get(self.taken) else {
                (*left, *right) = (Complex64::ZERO, Complex64::ZERO);
                continue;
            };
            let there = match self.taken {
                0 => self.before,
                k => self.mirror[self.mirror.len() - k],
            };
            let of = |channel: usize, bin: Complex64| match self.plane.silent[channel] {
                true => Complex64::ZERO,
                false => 0.5 * bin,
            };
            *left = of(0, here + there.conj());
            *right = of(1, -Complex64::I * (here - there.conj()));
            self.taken += 1;
        }
        Ok(())
    }

    fn load(&mut self) -> io::Result<()> {
        let columns = self.plane.columns;
        let end = (self.column + self.plane.width()).min(columns / 2);
        let opposite = self.mirror.first().copied();
        self.panel = self.plane.columns(self.column..end)?;
        self.mirror = self.plane.columns(columns - end..columns - self.column)?;
        self.before = opposite.unwrap_or(self.panel[0]);
        (self.column, self.taken) = (end, 0);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(samples: &[Complex64]) -> Plane {
        let mut plane = Plane::new(samples.len(), &std::env::temp_dir()).unwrap();
        plane.write(0, samples).unwrap();
        plane
    }

    /// Numbers without any order, between -1 and 1.
    fn disorder(length: usize) -> Vec<Complex64> {
        let part = |n: usize| (n as f64 * 0.618_033_988_749_894_9).fract() * 2.0 - 1.0;
        (0..length)
            .map(|n| Complex64::new(part(n * n), part(n * n + 7 * n + 3)))
            .collect()
    }

    /// In memory and on disk, square or not, odd or even: what one transform of the whole
    /// gives. Some rounding units for each of the butterflies of either.
    #[test]
    fn two_passes_are_one_transform() {
        for length in [2, 12, 15, 441, 4410, 96_000, 2_205 * 9, PANEL + 500_712] {
            let samples = disorder(length);
            let mut whole = samples.clone();
            plan(Way::Forward, length).process(&mut whole);
            let mut plane = plane(&samples);
            assert_eq!(matches!(plane.cells, Cells::Disk { .. }), length > PANEL);
            plane.analyse().unwrap();
            let mut bins = vec![Complex64::ONE; length];
            let (some, rest) = bins.split_at_mut(length / 3);
            let mut reader = plane.bins();
            reader.next(some).unwrap();
            reader.next(rest).unwrap();
            // A bin of disorder has the size of the root of the length.
            let tolerance = 64.0 * f64::EPSILON / (length as f64).sqrt();
            let (known, beyond) = bins.split_at(length / 2 + 1);
            for (bin, expected) in known.iter().zip(&whole) {
                let off = (bin - expected / length as f64).norm();
                assert!(off < tolerance, "{length}: {off:e}");
            }
            assert!(beyond.iter().all(|bin| *bin == Complex64::ZERO));

            plane.synthesise().unwrap();
            let mut back = vec![Complex64::ZERO; length];
            plane.read(0, &mut back).unwrap();
            for (value, expected) in back.iter().zip(&samples) {
                assert!((value - expected).norm() < 64.0 * f64::EPSILON);
            }
        }
    }

    /// Told apart, put together and told apart again.
    #[test]
    fn two_real_signals_keep_their_spectra() {
        for length in [12, 4410, 48_000, PANEL + 500_712] {
            let samples = disorder(length);
            let half = length / 2;
            let alone = |part: fn(&Complex64) -> f64| {
                let mut bins: Vec<Complex64> = samples.iter().map(|z| part(z).into()).collect();
                plan(Way::Forward, length).process(&mut bins);
                bins.truncate(half);
                bins.iter_mut().for_each(|bin| *bin /= length as f64);
                bins
            };
            let expected = [alone(|z| z.re), alone(|z| z.im)];
            let tolerance = 64.0 * f64::EPSILON / (length as f64).sqrt();
            let hold = |plane: &mut Plane| {
                let mut left = vec![Complex64::ONE; half + 5];
                let mut right = left.clone();
                let mut spectra = plane.spectra();
                for (left, right) in left.chunks_mut(1000).zip(right.chunks_mut(1000)) {
                    spectra.next(left, right).unwrap();
                }
                for (found, expected) in [&left, &right].into_iter().zip(&expected) {
                    for (bin, expected) in found.iter().zip(expected) {
                        assert!((bin - expected).norm() < tolerance, "{length}");
                    }
                    assert!(found[half..].iter().all(|bin| *bin == Complex64::ZERO));
                }
            };
            let mut first = plane(&samples);
            first.analyse().unwrap();
            hold(&mut first);

            let mut second = plane(&vec![Complex64::ONE; length]);
            second
                .set_spectra(|bin, left, right| {
                    left.copy_from_slice(&expected[0][bin..][..left.len()]);
                    right.copy_from_slice(&expected[1][bin..][..right.len()]);
                    Ok(())
                })
                .unwrap();
            hold(&mut second);
            second.synthesise().unwrap();
            let mut bins = vec![Complex64::ZERO; length];
            second.read(0, &mut bins).unwrap();
            // all but the bin at half the rate, which alternates
            let alternating: Complex64 = (0..length)
                .map(|n| samples[n] * if n % 2 == 0 { 1.0 } else { -1.0 })
                .sum::<Complex64>()
                / length as f64;
            for (n, value) in bins.iter().enumerate() {
                let sign = if n % 2 == 0 { 1.0 } else { -1.0 };
                let off = (value - (samples[n] - alternating * sign)).norm();
                assert!(off < 64.0 * f64::EPSILON, "{length} {n}: {off:e}");
            }
        }
    }

    /// Rounding in one signal is not heard in the other where that is silent.
    #[test]
    fn silence_stays_silent() {
        let samples: Vec<Complex64> = disorder(4410).iter().map(|z| z.im * Complex64::I).collect();
        let mut first = plane(&samples);
        first.analyse().unwrap();
        let mut second = Plane::new(8820, Path::new("")).unwrap();
        let mut spectra = first.spectra();
        second
            .set_spectra(|_, left, right| spectra.next(left, right))
            .unwrap();
        second.synthesise().unwrap();
        let mut back = vec![Complex64::ONE; 8820];
        second.read(0, &mut back).unwrap();
        assert!(back.iter().all(|z| z.re == 0.0 && z.im.abs() < 2.0));
        assert!(back.iter().any(|z| z.im.abs() > 0.5));
    }

    #[test]
    fn a_folder_that_cannot_be_written_is_an_error() {
        assert!(Plane::new(PANEL + 2, Path::new("/nowhere/at/all")).is_err());
        assert!(Plane::new(PANEL, Path::new("/nowhere/at/all")).is_ok());
    }
}
