//! How the rotation of a stylus has changed from setup to setup.

use super::description::Job;
use super::solution::Solved;
use crate::uncertainty::Quantity;

/// The setups of one cartridge in the order of their time.
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    /// Name of the cartridge.
    pub cartridge: String,
    /// Whether time is hours of playing; else days since the first date.
    pub by_hours: bool,
    /// The setups.
    pub points: Vec<HistoryPoint>,
}

/// A setup of a [`History`].
#[derive(Debug, Clone, PartialEq)]
pub struct HistoryPoint {
    /// Name of the setup.
    pub setup: String,
    /// Hours of playing, or days since the first date.
    pub time: f64,
    /// The same as stated in the job.
    pub stated: String,
    /// Rotation to the groove.
    pub rotation_deg: Quantity,
}

impl History {
    /// Of each cartridge with two setups or more that were recorded at different times: by the hours of
    /// playing where all of them state these, else by the dates of their first recordings.
    pub fn of(job: &Job, solved: &Solved) -> Vec<Self> {
        let histories = job.cartridges.keys().filter_map(|cartridge| {
            let setups = solved.solution.setups.iter();
            let setups: Vec<_> = setups
                .filter(|s| !s.unobservable && job.setups[&s.name].cartridge == *cartridge)
                .filter_map(|s| {
                    let first = solved.network.captures_of(&s.name).first()?;
                    Some((s, &job.captures[*first]))
                })
                .collect();
            let hours = setups.iter().map(|(s, _)| {
                let hours = job.setups[&s.name].hours?;
                Some((hours, format!("{hours} h")))
            });
            let dates = setups.iter().map(|(_, capture)| {
                let date = job.capture_date(capture)?;
                Some((day_number(date)?, date.clone()))
            });
            let hours: Option<Vec<(f64, String)>> = hours.collect();
            let by_hours = hours.is_some();
            let times = hours.or_else(|| dates.collect())?;
            let first = match by_hours {
                true => 0.0,
                false => times.iter().map(|t| t.0).fold(f64::INFINITY, f64::min),
            };
            let points = setups.iter().zip(times);
            let points = points.map(|((setup, _), (time, stated))| HistoryPoint {
                setup: setup.name.clone(),
                time: time - first,
                stated,
                rotation_deg: setup.rotation_deg,
            });
            let mut points: Vec<HistoryPoint> = points.collect();
            points.sort_by(|a, b| a.time.total_cmp(&b.time));
            let changes = points.first()?.time < points.last()?.time;
            changes.then(|| Self {
                cartridge: cartridge.clone(),
                by_hours,
                points,
            })
        });
        histories.collect()
    }
}

/// Julian day number of a date written as 2026-02-03 (Fliegel and Van Flandern 1968, from memory).
fn day_number(date: &str) -> Option<f64> {
    let date: toml::value::Date = date.parse::<toml::value::Datetime>().ok()?.date?;
    let [year, month, day] = [i64::from(date.year), date.month.into(), date.day.into()];
    let a = (month - 14) / 12;
    let number = (1461 * (year + 4800 + a)) / 4 + (367 * (month - 2 - 12 * a)) / 12
        - (3 * ((year + 4900 + a) / 100)) / 4
        + day
        - 32075;
    Some(number as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// J2000.0 is JD 2451545.0, noon of 2000-01-01; the Unix epoch is JD 2440587.5, midnight of 1970-01-01 (both
    /// as astronomers' handbooks have them, from memory): their day numbers are 2451545 and 2440588.
    #[test]
    fn days_are_counted() {
        assert_eq!(day_number("2000-01-01"), Some(2_451_545.0));
        assert_eq!(day_number("1970-01-01"), Some(2_440_588.0));
        let days = |a, b| day_number(b).unwrap() - day_number(a).unwrap();
        assert_eq!(days("2024-02-28", "2024-03-01"), 2.0);
        assert_eq!(days("2026-02-28", "2026-03-01"), 1.0);
        assert_eq!(days("2025-12-31", "2026-01-01"), 1.0);
        assert_eq!(day_number("soon"), None);
    }
}
