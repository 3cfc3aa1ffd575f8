//! A moving-magnet cartridge's inductance against its load.
//!
//! Coil inductance `L`, load resistance `R` and capacitance `C` (cable and
//! input together) pass a channel through `1 / (1 - w^2 L C + i w L / R)`; the
//! coil's own resistance is left out (it turns the phase by less than a
//! hundredth of what `L / R` does; believed). When the two channels' parts
//! differ, so do their phases, and nearly in proportion to frequency: a good
//! fit of a delay does not prove the difference absent. The inductance lies
//! before the swap point and flips with swapped leads, the load does not.

use crate::delay::phase::{Load, LoadPart, PhaseShape, PhaseTerm};
use crate::delay::{Owner, Side, Term};
use std::f64::consts::SQRT_2;

/// Relative standard uncertainty of one coil's inductance against the other's
/// nominal value. Common practice, no source: makers state no match; windings
/// counted to a turn and gaps set by the same tool make a percent.
pub const INDUCTANCE_TOLERANCE: f64 = 0.01;
/// Relative standard uncertainty of one channel's load capacitance: 10 pF in
/// 200 pF, a hand's breadth of cable. Common practice, no source.
pub const CAPACITANCE_TOLERANCE: f64 = 0.05;
/// Relative standard uncertainty of one channel's load resistance: a 1 % part.
/// Common practice, no source.
pub const RESISTANCE_TOLERANCE: f64 = 0.01;

/// A load from the units of the job file; `None` unless all are positive and finite.
pub fn load(inductance_mh: f64, load_kohm: f64, load_pf: f64) -> Option<Load> {
    [inductance_mh, load_kohm, load_pf]
        .iter()
        .all(|v| v.is_finite() && *v > 0.0)
        .then_some(Load {
            inductance_h: inductance_mh * 1e-3,
            resistance_ohm: load_kohm * 1e3,
            capacitance_f: load_pf * 1e-12,
        })
}

/// Name, owner and side of the term of a part.
pub fn load_term(part: LoadPart) -> Term {
    let (name, owner, side) = match part {
        LoadPart::Inductance => ("inductance", Owner::Cartridge, Side::BeforeSwap),
        LoadPart::Resistance => ("load resistance", Owner::Chain, Side::BehindSwap),
        LoadPart::Capacitance => ("load capacitance", Owner::Chain, Side::BehindSwap),
    };
    Term {
        name: name.into(),
        owner,
        side,
    }
}

/// The three terms (difference of the logarithms, right minus left as recorded
/// with normal leads) with their tolerance priors.
pub fn load_terms(load: Load) -> Vec<PhaseTerm> {
    [
        (LoadPart::Inductance, INDUCTANCE_TOLERANCE),
        (LoadPart::Resistance, RESISTANCE_TOLERANCE),
        (LoadPart::Capacitance, CAPACITANCE_TOLERANCE),
    ]
    .into_iter()
    .map(|(part, tolerance)| PhaseTerm {
        term: load_term(part),
        prior_u: SQRT_2 * tolerance,
        shape: PhaseShape::Load { load, part },
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Differences of the network's phase by complex arithmetic.
    #[test]
    fn shapes_are_the_derivatives_of_the_network_phase() {
        use rustfft::num_complex::Complex64;
        let phase = |w: f64, [l, r, c]: [f64; 3]| {
            (Complex64::new(1.0, 0.0) / Complex64::new(1.0 - w * w * l * c, w * l / r)).arg()
        };
        let nominal = [0.5, 47e3, 200e-12];
        let load = load(500.0, 47.0, 200.0).unwrap();
        for hertz in [100.0, 1000.0, 8000.0, 15_000.0, 18_000.0] {
            let w = TAU * hertz;
            for (j, term) in load_terms(load).iter().enumerate() {
                let h = 1e-4;
                let (mut up, mut down) = (nominal, nominal);
                up[j] *= f64::exp(h);
                down[j] *= f64::exp(-h);
                // a longer right channel delay raises the phase of L conj(R)
                let slope = -(phase(w, up) - phase(w, down)) / (2.0 * h);
                assert!(
                    (slope - term.shape.at(w)).abs() < 1e-6,
                    "{hertz} {j}: {slope} {}",
                    term.shape.at(w)
                );
            }
        }
    }

    /// model.md section 2 (checked there by brute force): 1 % of inductance
    /// makes about 120 ns; 10 pF make 150 to 415 ns. Its inputs are not stated;
    /// these are 500 mH, 47 kohm, and 200 pF. A slope weighted by w^2 up to 8
    /// and to 15 kHz stands for the fit.
    #[test]
    fn sizes_as_in_the_model() {
        let load = load(500.0, 47.0, 200.0).unwrap();
        let slope = |part: LoadPart, change: f64, top: f64| {
            let (mut above, mut below) = (0.0, 0.0);
            for k in 10..(top / 10.0) as usize {
                let w = TAU * 10.0 * k as f64;
                above += w * change * PhaseShape::Load { load, part }.at(w);
                below += w * w;
            }
            above / below * 1e9
        };
        for top in [8000.0, 15_000.0] {
            println!(
                "to {top} Hz: L 1 % {:.0} ns, C 10 pF {:.0} ns, R 1 % {:.0} ns",
                slope(LoadPart::Inductance, 0.01, top),
                slope(LoadPart::Capacitance, 0.05, top),
                slope(LoadPart::Resistance, 0.01, top)
            );
        }
        let inductance = slope(LoadPart::Inductance, 0.01, 8000.0);
        assert!((100.0..160.0).contains(&inductance), "{inductance}");
        // to 8 kHz it is 92 ns by the difference of the phases, computed outside
        let capacitance = slope(LoadPart::Capacitance, 0.05, 15_000.0);
        assert!((150.0..415.0).contains(&capacitance), "{capacitance}");
    }

    #[test]
    fn parts_that_are_none_make_no_load() {
        assert!(load(0.0, 47.0, 200.0).is_none());
        assert!(load(500.0, f64::NAN, 200.0).is_none());
    }
}
