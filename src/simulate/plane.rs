//! Signals too long for the memory, and their transforms as a whole.
//!
//! A [`Plane`] holds `N = rows * columns` complex numbers in temporary files (a short one in
//! memory) and transforms them in two passes (Bailey 1990, "FFTs in external or hierarchical
//! memory"): along the columns, a turn by `n2 k1 / N`, along the rows. Time is kept row by
//! row, `n = n1 * columns + n2`, and frequency column by column, `k = k1 + rows * k2`, so
//! nothing needs to be sorted. At most some panels of `PANEL` numbers are in memory. Rows are
//! dealt out to `PARTS` files, since a system lets one thread at a time write to a file.
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

/// Numbers of a panel, 8 MB.
const PANEL: usize = 1 << 19;

/// Columns over rows, about: rows are read as a whole, and the fewer there are, the longer are
/// the stretches that a panel of columns is read in. The rows of half an hour still fit into
/// a panel.
const BREADTH: usize = 64;

/// Bytes of a number.
const SIZE: usize = 16;

/// Files of a plane.
const PARTS: usize = 8;

/// Columns whose numbers are put into their order together: 128 bytes of a row.
const GROUP: usize = 8;

/// Some rows, in memory or in a file that is gone when it is closed.
#[derive(Debug)]
enum RowStore {
    Memory(Vec<u8>),
    Disk(File),
}

impl RowStore {
    fn new(bytes: usize, folder: Option<&Path>) -> io::Result<Self> {
        let Some(folder) = folder else {
            return Ok(Self::Memory(vec![0; bytes]));
        };
        let file = tempfile::tempfile_in(folder)?;
        file.set_len(bytes as u64)?;
        Ok(Self::Disk(file))
    }

    fn read(&mut self, from: usize, into: &mut [u8]) -> io::Result<()> {
        match self {
            Self::Memory(bytes) => into.copy_from_slice(&bytes[from..][..into.len()]),
            Self::Disk(file) => {
                file.seek(SeekFrom::Start(from as u64))?;
                file.read_exact(into)?;
            }
        }
        Ok(())
    }

    fn write(&mut self, to: usize, from: &mut [u8]) -> io::Result<()> {
        match self {
            Self::Memory(bytes) => bytes[to..][..from.len()].copy_from_slice(from),
            Self::Disk(file) => {
                file.seek(SeekFrom::Start(to as u64))?;
                file.write_all(from)?;
            }
        }
        Ok(())
    }
}

fn decode(bytes: &[u8; SIZE]) -> Complex64 {
    let bits = u128::from_le_bytes(*bytes);
    Complex64::new(
        f64::from_bits(bits as u64),
        f64::from_bits((bits >> 64) as u64),
    )
}

fn encode(value: Complex64) -> [u8; SIZE] {
    let [re, im] = [value.re, value.im].map(|part| u128::from(part.to_bits()));
    (re | im << 64).to_le_bytes()
}

/// Two real signals of one length, or their spectra; zero at first.
#[derive(Debug)]
pub struct Plane {
    rows: usize,
    columns: usize,
    /// Row by row in turn.
    parts: Vec<RowStore>,
    /// What is on its way to or from them.
    bytes: Vec<u8>,
    /// Columns of a spectrum that are zero, whatever the parts hold.
    empty: Range<usize>,
    /// Left and right signal is zero throughout, and rounding in the other does not change it.
    silent: [bool; 2],
    /// Left and right signal are equal throughout, and rounding does not part them.
    alike: bool,
}

/// Which way a transform goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum TransformDirection {
    /// To frequency.
    Forward,
    /// To time.
    Inverse,
}

impl Plane {
    /// Room for `length` samples; what does not fit into memory is kept in `folder`.
    pub fn new(length: usize, folder: &Path) -> io::Result<Self> {
        // About as broad as wanted, of its divisors; an even number of columns, if there is one, so
        // that the mirror image of a column is another column.
        let even = length.is_multiple_of(2);
        let columns = ((length * BREADTH).isqrt().clamp(1, length.max(1))..=length)
            .find(|c| length.is_multiple_of(*c) && (!even || c.is_multiple_of(2)))
            .unwrap_or(1);
        let rows = length / columns;
        let folder = (length > PANEL).then_some(folder);
        let part =
            |part: usize| RowStore::new((rows + PARTS - 1 - part) / PARTS * columns * SIZE, folder);
        Ok(Self {
            rows,
            columns,
            parts: (0..PARTS).map(part).collect::<io::Result<_>>()?,
            bytes: Vec::new(),
            empty: 0..0,
            silent: [true; 2],
            alike: true,
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

    /// Does the same with strips of rows, which follow each other in `self.bytes`.
    fn each(
        &mut self,
        strips: impl Iterator<Item = Range<usize>>,
        transfer: fn(&mut RowStore, usize, &mut [u8]) -> io::Result<()>,
    ) -> io::Result<()> {
        let mut shares: [Vec<_>; PARTS] = Default::default();
        let mut rest = &mut self.bytes[..];
        for strip in strips {
            let bytes;
            (bytes, rest) = rest.split_at_mut(strip.len() * SIZE);
            let (row, column) = (strip.start / self.columns, strip.start % self.columns);
            let at = (row / PARTS * self.columns + column) * SIZE;
            shares[row % PARTS].push((at, bytes));
        }
        let parts = self.parts.par_iter_mut().zip(shares);
        parts.try_for_each(|(part, share)| {
            let mut share = share.into_iter();
            share.try_for_each(|(at, bytes)| transfer(part, at, bytes))
        })
    }

    /// Samples of both signals from an index on, left as real part.
    pub fn read(&mut self, from: usize, into: &mut [Complex64]) -> io::Result<()> {
        self.bytes.resize(into.len() * SIZE, 0);
        self.each(stretch(from, into.len(), self.columns), RowStore::read)?;
        let keep = |value: f64, silent| if silent { 0.0 } else { value };
        let ([left, right], alike) = (self.silent, self.alike);
        let bytes = self.bytes.as_chunks().0.par_iter();
        into.par_iter_mut().zip(bytes).for_each(|(cell, bytes)| {
            let z = decode(bytes);
            let im = if alike { z.re } else { z.im };
            *cell = Complex64::new(keep(z.re, left), keep(im, right));
        });
        Ok(())
    }

    /// Sets samples from an index on.
    pub fn write(&mut self, to: usize, from: &[Complex64]) -> io::Result<()> {
        self.silent[0] &= from.iter().all(|z| z.re == 0.0);
        self.silent[1] &= from.iter().all(|z| z.im == 0.0);
        self.alike &= from.iter().all(|z| z.re == z.im);
        self.bytes.resize(from.len() * SIZE, 0);
        let bytes = self.bytes.as_chunks_mut().0.par_iter_mut();
        bytes
            .zip(from)
            .for_each(|(bytes, cell)| *bytes = encode(*cell));
        self.each(stretch(to, from.len(), self.columns), RowStore::write)
    }

    /// Columns of a panel.
    fn width(&self) -> usize {
        (PANEL / self.rows).max(1)
    }

    /// Where columns are.
    fn strips(&self, columns: Range<usize>) -> impl Iterator<Item = Range<usize>> + use<> {
        let starts = (0..self.len()).step_by(self.columns);
        starts.map(move |row| row + columns.start..row + columns.end)
    }

    /// Some columns, one after the other: bins in their order.
    fn columns(&mut self, columns: Range<usize>, panel: &mut Vec<Complex64>) -> io::Result<()> {
        let (rows, width) = (self.rows, columns.len());
        panel.resize(width * rows, Complex64::ZERO);
        self.bytes.resize(width * rows * SIZE, 0);
        self.each(self.strips(columns.clone()), RowStore::read)?;
        let cells = self.bytes.as_chunks().0;
        let groups = panel.par_chunks_mut(GROUP * rows).enumerate();
        groups.for_each(|(group, panel)| {
            for (row, cells) in cells.chunks(width).enumerate() {
                let columns = panel.chunks_mut(rows).zip(&cells[GROUP * group..]);
                columns.for_each(|(column, cell)| column[row] = decode(cell));
            }
        });
        for (column, values) in columns.zip(panel.chunks_mut(rows)) {
            if self.empty.contains(&column) {
                values.fill(Complex64::ZERO);
            }
        }
        Ok(())
    }

    fn set_columns(&mut self, columns: Range<usize>, panel: &[Complex64]) -> io::Result<()> {
        let (rows, width) = (self.rows, columns.len());
        self.bytes.resize(width * rows * SIZE, 0);
        let strips = self.bytes.as_chunks_mut().0.par_chunks_mut(width);
        strips.enumerate().for_each(|(row, cells)| {
            let columns = panel.chunks(rows).zip(cells);
            columns.for_each(|(column, cell)| *cell = encode(column[row]));
        });
        self.each(self.strips(columns), RowStore::write)
    }

    /// Time into frequency, divided by the length: bin k of `a cos(2 pi k n / N)` is `a / 2`,
    /// at any rate. Of the bins up to half of them at least so many are kept.
    pub fn analyse(&mut self, bins: usize) -> io::Result<()> {
        let scale = 1.0 / self.len() as f64;
        self.pass_columns(TransformDirection::Forward)?;
        self.keep(bins);
        self.pass_rows(TransformDirection::Forward, scale)
    }

    /// Frequency, as [`Self::analyse`] gives it, into time.
    pub fn synthesise(&mut self) -> io::Result<()> {
        self.pass_rows(TransformDirection::Inverse, 1.0)?;
        self.empty = 0..0;
        self.pass_columns(TransformDirection::Inverse)
    }

    /// Bins from this one on, up to half of them, and their images are zero.
    fn keep(&mut self, bins: usize) {
        let kept = bins.div_ceil(self.rows);
        self.empty = match self.columns.checked_sub(2 * kept) {
            Some(empty) => kept..kept + empty,
            None => 0..0,
        };
    }

    /// Transforms each column, and turns by the part of the phase that neither rows nor
    /// columns hold.
    fn pass_columns(&mut self, way: TransformDirection) -> io::Result<()> {
        let (rows, length) = (self.rows, self.len());
        let fft = plan(way, rows);
        let turns = TwiddleFactors::new(way, length);
        let turn = |column: usize, values: &mut [Complex64]| {
            let mut phase = 0;
            for value in values {
                *value *= turns.at(phase);
                phase += column;
                if phase >= length {
                    phase -= length;
                }
            }
        };
        let mut panel = Vec::new();
        for first in (0..self.columns).step_by(self.width()) {
            let columns = first..(first + self.width()).min(self.columns);
            self.columns(columns.clone(), &mut panel)?;
            panel
                .par_chunks_mut(rows)
                .zip(columns.clone())
                .for_each(|(values, column)| {
                    if way == TransformDirection::Inverse {
                        turn(column, values);
                    }
                    fft.process(values);
                    if way == TransformDirection::Forward {
                        turn(column, values);
                    }
                });
            self.set_columns(columns, &panel)?;
        }
        self.bytes = Vec::new();
        Ok(())
    }

    fn pass_rows(&mut self, way: TransformDirection, scale: f64) -> io::Result<()> {
        let (rows, columns) = (self.rows, self.columns);
        let fft = plan(way, columns);
        let all = [0..columns, columns..columns];
        let kept = [0..self.empty.start, self.empty.end..columns];
        let (read, write) = match way {
            TransformDirection::Forward => (all, kept),
            TransformDirection::Inverse => (kept, all),
        };
        self.parts
            .par_iter_mut()
            .enumerate()
            .try_for_each(|(k, part)| {
                let mut bytes = vec![0; columns * SIZE];
                let mut row = vec![Complex64::ZERO; columns];
                let mut scratch = vec![Complex64::ZERO; fft.get_inplace_scratch_len()];
                for at in (0..(k..rows).step_by(PARTS).len()).map(|row| row * columns) {
                    row.fill(Complex64::ZERO);
                    for some in read.clone() {
                        let bytes = &mut bytes[some.start * SIZE..some.end * SIZE];
                        part.read((at + some.start) * SIZE, bytes)?;
                        let cells = row[some].iter_mut().zip(bytes.as_chunks().0);
                        cells.for_each(|(cell, bytes)| *cell = decode(bytes));
                    }
                    fft.process_with_scratch(&mut row, &mut scratch);
                    for some in write.clone() {
                        let bytes = &mut bytes[some.start * SIZE..some.end * SIZE];
                        let cells = row[some.clone()].iter().zip(bytes.as_chunks_mut().0);
                        cells.for_each(|(cell, bytes)| *bytes = encode(*cell * scale));
                        part.write((at + some.start) * SIZE, bytes)?;
                    }
                }
                Ok(())
            })
    }

    /// The spectrum of the left signal where the right one is zero, bin by bin up to half the
    /// rate.
    pub fn bins(&mut self) -> PlaneBins<'_> {
        PlaneBins {
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
        }
    }

    /// A plane of two spectra. `fill` gets the index of a bin and room for the spectra from
    /// there on, zero at first; that goes up to `bins` at least, or up to half of the bins,
    /// the last of which stays zero. The length must be even.
    pub fn of_spectra(
        length: usize,
        folder: &Path,
        bins: usize,
        mut fill: impl FnMut(usize, &mut [Complex64], &mut [Complex64]) -> io::Result<()>,
    ) -> io::Result<Self> {
        let mut plane = Self::new(length, folder)?;
        plane.keep(bins);
        let filled = bins.div_ceil(plane.rows).min(plane.columns / 2);
        let (mut left, mut right, mut mirror) = (Vec::new(), Vec::new(), Vec::new());
        for first in (0..filled).step_by(plane.width()) {
            let columns = first..(first + plane.width()).min(filled);
            let length = columns.len() * plane.rows;
            for spectrum in [&mut left, &mut right, &mut mirror] {
                spectrum.clear();
                spectrum.resize(length, Complex64::ZERO);
            }
            fill(first * plane.rows, &mut left, &mut right)?;
            for (silent, signal) in plane.silent.iter_mut().zip([&left, &right]) {
                *silent &= signal.iter().all(|bin| *bin == Complex64::ZERO);
            }
            plane.alike &= left == right;
            if first == 0 {
                left[0].im = 0.0;
                right[0].im = 0.0;
            }
            // the images, backwards; the first bin's begins the columns behind those
            mirror.push(Complex64::ZERO);
            left.par_iter_mut()
                .zip(&right)
                .zip(mirror.par_iter_mut().rev())
                .for_each(|((left, right), image)| {
                    *image = left.conj() + right.conj() * Complex64::I;
                    *left += right * Complex64::I;
                });
            let behind = plane.columns - columns.end..plane.columns - columns.start;
            if first > 0 {
                plane.bytes.clear();
                plane.bytes.extend(encode(mirror[length]));
                let at = behind.end;
                plane.each(std::iter::once(at..at + 1), RowStore::write)?;
            }
            plane.set_columns(behind, &mirror[..length])?;
            plane.set_columns(columns, &left)?;
        }
        plane.bytes = Vec::new();
        Ok(plane)
    }
}

/// A stretch of samples, cut where rows end.
fn stretch(from: usize, length: usize, columns: usize) -> impl Iterator<Item = Range<usize>> {
    let end = from + length;
    let rows = from / columns..end.div_ceil(columns);
    rows.map(move |row| (row * columns).max(from)..((row + 1) * columns).min(end))
}

fn plan(way: TransformDirection, length: usize) -> Arc<dyn Fft<f64>> {
    let mut planner = FftPlanner::new();
    match way {
        TransformDirection::Forward => planner.plan_fft_forward(length),
        TransformDirection::Inverse => planner.plan_fft_inverse(length),
    }
}

/// The turns by whole parts of a circle, each the product of a coarse and a fine one.
struct TwiddleFactors {
    fine: Vec<Complex64>,
    coarse: Vec<Complex64>,
}

impl TwiddleFactors {
    fn new(way: TransformDirection, length: usize) -> Self {
        let step = match way {
            TransformDirection::Forward => -TAU / length as f64,
            TransformDirection::Inverse => TAU / length as f64,
        };
        let fine = length.isqrt().next_power_of_two();
        let turn = |n: usize| Complex64::cis(step * n as f64);
        Self {
            fine: (0..fine).map(turn).collect(),
            coarse: (0..length).step_by(fine).map(turn).collect(),
        }
    }

    #[inline]
    fn at(&self, n: usize) -> Complex64 {
        let fine = self.fine.len();
        self.coarse[n >> fine.trailing_zeros()] * self.fine[n & (fine - 1)]
    }
}

/// See [`Plane::bins`].
#[derive(Debug)]
pub struct PlaneBins<'a> {
    /// Bins still to come.
    left: usize,
    plane: &'a mut Plane,
    column: usize,
    panel: Vec<Complex64>,
    taken: usize,
}

impl PlaneBins<'_> {
    /// The next bins; zero beyond the last.
    pub fn next(&mut self, into: &mut [Complex64]) -> io::Result<()> {
        let (mut known, beyond) = into.split_at_mut(self.left.min(into.len()));
        self.left -= known.len();
        beyond.fill(Complex64::ZERO);
        while !known.is_empty() {
            if self.taken == self.panel.len() {
                let end = (self.column + self.plane.width()).min(self.plane.columns);
                self.plane.columns(self.column..end, &mut self.panel)?;
                (self.column, self.taken) = (end, 0);
            }
            let there = &self.panel[self.taken..];
            let some;
            (some, known) = known.split_at_mut(there.len().min(known.len()));
            some.copy_from_slice(&there[..some.len()]);
            self.taken += some.len();
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
    /// The panel's images, backwards; the first of the next panel's before them.
    mirror: Vec<Complex64>,
    taken: usize,
}

impl Spectra<'_> {
    /// The next bins of left and right; zero from half of all bins on.
    pub fn next(
        &mut self,
        mut left: &mut [Complex64],
        mut right: &mut [Complex64],
    ) -> io::Result<()> {
        while !left.is_empty() {
            if self.taken == self.panel.len() {
                if self.column == self.plane.columns / 2 {
                    left.fill(Complex64::ZERO);
                    right.fill(Complex64::ZERO);
                    return Ok(());
                }
                self.load()?;
            }
            let here = &self.panel[self.taken..];
            let length = here.len().min(left.len());
            let there = &self.mirror[..=self.panel.len() - self.taken];
            let (lefts, rights);
            (lefts, left) = left.split_at_mut(length);
            (rights, right) = right.split_at_mut(length);
            let ([no_left, no_right], alike) = (self.plane.silent, self.plane.alike);
            let of = |silent: bool, bin: Complex64| match silent {
                true => Complex64::ZERO,
                false => 0.5 * bin,
            };
            lefts
                .par_iter_mut()
                .zip(rights)
                .zip(here)
                .zip(there.par_iter().rev())
                .for_each(|(((left, right), here), there)| {
                    *left = of(no_left, here + there.conj());
                    *right = match alike {
                        true => *left,
                        false => of(no_right, -Complex64::I * (here - there.conj())),
                    };
                });
            self.taken += length;
        }
        Ok(())
    }

    fn load(&mut self) -> io::Result<()> {
        let columns = self.plane.columns;
        let end = (self.column + self.plane.width()).min(columns / 2);
        let opposite = self.mirror.first().copied();
        self.plane.columns(self.column..end, &mut self.panel)?;
        self.plane
            .columns(columns - end..columns - self.column, &mut self.mirror)?;
        self.mirror.push(opposite.unwrap_or(self.panel[0]));
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
            plan(TransformDirection::Forward, length).process(&mut whole);
            let mut plane = plane(&samples);
            assert_eq!(matches!(plane.parts[0], RowStore::Disk(_)), length > PANEL);
            plane.analyse(length).unwrap();
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
                plan(TransformDirection::Forward, length).process(&mut bins);
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
            first.analyse(length).unwrap();
            hold(&mut first);

            let fill = |bin: usize, left: &mut [Complex64], right: &mut [Complex64]| {
                left.copy_from_slice(&expected[0][bin..][..left.len()]);
                right.copy_from_slice(&expected[1][bin..][..right.len()]);
                Ok(())
            };
            let folder = std::env::temp_dir();
            let mut second = Plane::of_spectra(length, &folder, half, fill).unwrap();
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
        first.analyse(4410).unwrap();
        let mut spectra = first.spectra();
        let fill = |_, left: &mut [Complex64], right: &mut [Complex64]| spectra.next(left, right);
        let mut second = Plane::of_spectra(8820, Path::new(""), 2205, fill).unwrap();
        second.synthesise().unwrap();
        let mut back = vec![Complex64::ONE; 8820];
        second.read(0, &mut back).unwrap();
        assert!(back.iter().all(|z| z.re == 0.0 && z.im.abs() < 2.0));
        assert!(back.iter().any(|z| z.im.abs() > 0.5));
    }

    /// Rounding does not part signals that are equal.
    #[test]
    fn equal_signals_stay_equal() {
        let alike = |z: Complex64| Complex64::new(z.re, z.re);
        let samples: Vec<Complex64> = disorder(4410).into_iter().map(alike).collect();
        let mut first = plane(&samples);
        first.analyse(4410).unwrap();
        let mut spectra = first.spectra();
        let fill = |_, left: &mut [Complex64], right: &mut [Complex64]| spectra.next(left, right);
        let mut second = Plane::of_spectra(8820, Path::new(""), 2205, fill).unwrap();
        second.synthesise().unwrap();
        let mut back = vec![Complex64::ZERO; 8820];
        second.read(0, &mut back).unwrap();
        assert!(back.iter().all(|z| z.re == z.im));
        assert!(back.iter().any(|z| z.re.abs() > 0.5));
    }

    #[test]
    fn a_folder_that_cannot_be_written_is_an_error() {
        assert!(Plane::new(PANEL + 2, Path::new("/nowhere/at/all")).is_err());
        assert!(Plane::new(PANEL, Path::new("/nowhere/at/all")).is_ok());
    }
}
