//! Consistency between the tables of a job file.

use super::slip::FileError;
use super::written::JobFile;
use crate::groove::Profile;
use crate::job::description::Job;
use std::collections::BTreeMap;

/// Refuses statements that contradict one another.
pub fn check(file: &JobFile, job: &Job) -> Result<(), FileError> {
    hours_of_all(file, job)?;
    time_goes_on(file, job)?;
    spelled_alike(file, job)?;
    as_many_as_at_hand(file, job)
}

/// Refuses hours that only some setups of a cartridge state: the others would count as zero hours.
fn hours_of_all(file: &JobFile, job: &Job) -> Result<(), FileError> {
    let stated = job.setups.iter().rev().filter(|(_, s)| s.hours.is_some());
    let stated: BTreeMap<_, _> = stated.map(|(name, s)| (&s.cartridge, name)).collect();
    for (setup, table) in job.setups.values().zip(file.setup.values()) {
        if let (None, Some(other)) = (setup.hours, stated.get(&setup.cartridge)) {
            return Err(FileError::at(
                table.at,
                format!(
                    "setup '{other}' of the same cartridge states its hours but this one does not; state 'hours' in all setups of a cartridge, or in none"
                ),
            ));
        }
    }
    Ok(())
}

/// Refuses a setup that is mounted after its captures, and a later one of a cartridge with fewer hours.
fn time_goes_on(file: &JobFile, job: &Job) -> Result<(), FileError> {
    let mut first_of: BTreeMap<&str, &str> = BTreeMap::new();
    for capture in &job.captures {
        // days as 2026-02-03 are in the order of their letters
        if let Some(day) = job.capture_date(capture) {
            let first = first_of.entry(&capture.setup).or_insert(day);
            *first = day.as_str().min(first);
        }
    }
    for (name, table) in &file.setup {
        let (setup, Some(day)) = (&job.setups[name], first_of.get(name.as_str())) else {
            continue;
        };
        if let Some(mounted) = setup.mounted.as_ref().filter(|m| m.as_str() > *day) {
            return Err(FileError::at(
                table.at,
                format!(
                    "mounted on {mounted}, after its capture of {day}; correct one of the days"
                ),
            ));
        }
        let Some(hours) = setup.hours else { continue };
        let earlier = job.setups.iter().filter_map(|(other, before)| {
            let on = first_of.get(other.as_str()).filter(|on| *on < day)?;
            let more = before.hours.filter(|h| *h > hours)?;
            (before.cartridge == setup.cartridge).then_some((other, on, more))
        });
        if let Some((other, on, more)) = earlier.min_by_key(|(other, ..)| *other) {
            return Err(FileError::at(
                table.at,
                format!(
                    "recorded on {day} after {hours} hours of playing, and setup '{other}' of the same cartridge on {on} after {more}; correct the hours or the days (with a new stylus, name another cartridge)"
                ),
            ));
        }
    }
    Ok(())
}

/// Refuses sides, sessions and serial numbers that differ only in case or blanks: they are read as two,
/// while one is probably meant.
fn spelled_alike(file: &JobFile, job: &Job) -> Result<(), FileError> {
    let mut seen = BTreeMap::new();
    for (kind, name, what, value) in job.identities() {
        let at = match kind {
            "record" => file.record[name].at,
            _ => file.cartridge[name].at,
        };
        let key: String = value.split_whitespace().collect();
        if key.is_empty() {
            let message = format!("its {what} is empty; name it, or leave the key out");
            return Err(FileError::at(at, message));
        }
        let (other, spelled) = *seen
            .entry((what, key.to_lowercase()))
            .or_insert((name, value));
        if spelled != value {
            return Err(FileError::at(
                at,
                format!(
                    "its {what} '{value}' differs from that of {kind} '{other}', '{spelled}', only in case or blanks; write both the same way"
                ),
            ));
        }
    }
    Ok(())
}

/// Refuses a plan with fewer objects at hand than the job has: the job's own are included.
fn as_many_as_at_hand(file: &JobFile, job: &Job) -> Result<(), FileError> {
    let spherical = |name: &&String| job.cartridges[*name].profile == Some(Profile::Spherical);
    let sides = file.record.values().map(|table| table.at).collect();
    let balls = file.cartridge.iter().filter(|(name, _)| spherical(name));
    let balls = balls.map(|(_, table)| table.at).collect();
    let counts: [(_, _, Vec<usize>); 2] = [
        ("record_sides", job.means.record_sides, sides),
        (
            "spherical_cartridges",
            job.means.spherical_cartridges,
            balls,
        ),
    ];
    for (key, most, here) in counts {
        if let Some(at) = most.and_then(|most| here.get(most)) {
            return Err(FileError::at(
                *at,
                format!(
                    "the job describes {}, but [plan] says {key} = {}, which must include those of the job; correct it",
                    here.len(),
                    most.unwrap_or(0)
                ),
            ));
        }
    }
    Ok(())
}
