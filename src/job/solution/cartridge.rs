//! Results of a cartridge: its tip, the resulting lever, and its setups.

use super::results::{CartridgeResult, SetupResult};
use super::{AdjustedJob, take_band};
use crate::adjust::{Coefficients, Marginal};
use crate::groove::{Profile, Tip};
use crate::job::description::Cartridge;
use crate::job::network::id;
use crate::job::scope::Scope;
use crate::job::{JobError, budget, priors};
use crate::uncertainty::Quantity;
use crate::units::MICROMETRE;
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_4;

/// Relative standard uncertainty of scale times lever above which the
/// linearised band is not used: half of the tenth from which its error shows, since
/// that grows with the square (docs/method.md).
const RELATIVE_LEVER: f64 = 0.05;

impl AdjustedJob<'_> {
    /// Results of a cartridge and of its setups.
    pub(super) fn of_cartridge(
        &self,
        name: &String,
        setups: &[&String],
    ) -> Result<(Vec<SetupResult>, Option<CartridgeResult>), JobError> {
        let mut scope = Scope::whole(self.network, self.adjustment);
        if !self.is_small() {
            scope = scope.around(&self.network.of_cartridge(name, setups));
        }
        let cartridge = self.job.cartridges.get(name);
        let shared = match cartridge {
            Some(_) if !self.is_small() => self.marginals_by_lever(name, setups, &scope)?,
            _ => BTreeMap::new(),
        };
        let of_setup = |setup: &&String| {
            let later = self.later_setup(setup, setups);
            self.setup(setup, &scope, shared.get(*setup), later)
        };
        let results = setups.iter().map(of_setup).collect::<Result<_, _>>()?;
        let cartridge = cartridge.map(|_| self.cartridge(name, &scope));
        Ok((results, cartridge.transpose()?))
    }

    /// Marginals of the angles of a cartridge's setups where its lever is poorly known.
    pub(super) fn marginals_by_lever<'b>(
        &self,
        cartridge: &str,
        setups: &[&'b String],
        scope: &Scope<'_>,
    ) -> Result<BTreeMap<&'b String, [Option<Marginal>; 3]>, JobError> {
        let mut found: BTreeMap<&String, [Option<Marginal>; 3]> = BTreeMap::new();
        let (along, u) = self.relative_lever(cartridge, setups);
        if u <= RELATIVE_LEVER {
            return Ok(found);
        }
        // every angle of every setup that is not known exactly
        let mut targets = Vec::new();
        let mut places = Vec::new();
        for &name in setups {
            for (which, angle) in self.angles(name).into_iter().enumerate() {
                if let Some(angle) = angle.filter(|a| self.variance(a) > 0.0) {
                    places.push((name, which));
                    targets.push(angle.row);
                }
            }
        }
        if targets.is_empty() {
            return Ok(found);
        }
        let marginals = scope.marginals_through(&along, &targets)?;
        for ((name, which), marginal) in places.into_iter().zip(marginals) {
            found.entry(name).or_default()[which] = Some(marginal);
        }
        Ok(found)
    }

    pub(super) fn tip_unknowns(&self, cartridge: &str) -> [Option<usize>; 2] {
        let of = |keys: &[&str]| {
            keys.iter().find_map(|key| {
                self.network
                    .unknown(&format!("cartridge.{cartridge}.{key}"))
            })
        };
        [
            of(&["frontal_radius_um", "contact_spacing_um"]),
            of(&["side_radius_um", "ball_lever_um"]),
        ]
    }

    /// A cartridge's tip as stated or assumed (the shape term left out).
    pub(super) fn stated_tip(&self, cartridge: &Cartridge) -> Tip {
        let defaults = priors::sizes(cartridge.profile);
        let profile = cartridge.profile.unwrap_or(Profile::Elliptical);
        let [first, second] = match profile {
            Profile::Spherical => [cartridge.frontal_radius, cartridge.ball_lever],
            Profile::Elliptical => [cartridge.frontal_radius, cartridge.side_radius],
            Profile::Line => [cartridge.contact_spacing, cartridge.side_radius],
        };
        let size = [
            first.or(defaults[0]).value,
            second.or(defaults[1]).value,
            0.0,
        ];
        Tip { profile, size }
    }

    /// A cartridge's tip as adjusted (the shape term left out).
    pub(in crate::job) fn tip(&self, name: &str) -> Tip {
        let mut tip = self.stated_tip(&self.job.cartridges[name]);
        for (size, unknown) in tip.size.iter_mut().zip(self.tip_unknowns(name)) {
            if let Some(at) = unknown {
                *size = self.adjustment.values[at];
            }
        }
        tip
    }

    /// Lever in a 90 degree groove after so many hours of playing, metres, with its gradient over all unknowns.
    pub(super) fn lever(&self, name: &str, hours: f64) -> (f64, Coefficients) {
        let wear = self.network.unknown(&id::wear(name));
        let mut tip = self.tip(name);
        if tip.profile != Profile::Spherical {
            let exact = || self.job.cartridges[name].wear.or(&priors::WEAR).value;
            tip.size[1] += hours * wear.map_or_else(exact, |k| self.adjustment.values[k]);
        }
        let lever = tip.lever(FRAC_PI_4);
        let unknowns = self.tip_unknowns(name);
        let mut gradient = Coefficients::default();
        for (unknown, slope) in unknowns.into_iter().zip(lever.d_size) {
            if let Some(at) = unknown {
                gradient.add(at, slope);
            }
        }
        if let Some(k) = wear {
            gradient.add(k, hours * lever.d_size[1]);
        }
        (lever.length, gradient)
    }

    /// Logarithm of scale times lever, at the most hours of the cartridge: its gradient over all unknowns, and
    /// its standard uncertainty.
    pub(super) fn relative_lever(
        &self,
        cartridge: &str,
        setups: &[&String],
    ) -> (Coefficients, f64) {
        let hours = setups.iter().filter_map(|s| self.job.setups[*s].hours);
        let hours = hours.fold(0.0, f64::max);
        let (lever, gradient) = self.lever(cartridge, hours);
        let mut gradient = gradient.scaled(lever.recip());
        if let Some(k) = self.network.unknown(&id::scale(cartridge)) {
            gradient.add(k, self.adjustment.values[k].recip());
        }
        let variance = self.adjustment.variance(&gradient);
        (gradient, variance.sqrt())
    }

    pub(super) fn cartridge(
        &self,
        name: &str,
        scope: &Scope<'_>,
    ) -> Result<CartridgeResult, JobError> {
        let (length, gradient) = self.lever(name, 0.0);
        let variance = self.adjustment.variance(&gradient);
        let mut lever = Quantity::normal(length, variance.sqrt(), self.coverage);
        if self.is_small() && variance > 0.0 {
            // of the sizes' combination that the lever is nearly linear in
            let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
            let problem = &self.network.problem;
            let marginal = Marginal::new(problem, self.adjustment, &gradient, everywhere)?;
            take_band(
                &mut lever,
                &marginal,
                length - gradient.at(&self.adjustment.values),
            );
        }
        let exact = self.job.cartridges[name].scale.or(&priors::SCALE).value;
        Ok(CartridgeResult {
            name: name.to_owned(),
            lever_um: lever.scaled(MICROMETRE.recip()),
            lever_budget: match variance > 0.0 {
                true => budget::lines(self.network, scope, &gradient.scaled(MICROMETRE.recip())),
                false => Vec::new(),
            },
            scale: self.parameter(&id::scale(name), exact, 1.0)?,
            wear_um_per_1000_h: match self.network.unknown(&id::wear(name)) {
                Some(_) => Some(self.parameter(&id::wear(name), 0.0, priors::WEAR.factor)?),
                None => None,
            },
            radius_along_groove_um: self.radius_along_groove(name)?,
            shape_probabilities: self.shape_probabilities(name),
        })
    }
}
