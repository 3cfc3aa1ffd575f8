//! One recipe, many captures: named variations, a grid, a seeded sample.
//!
//! ```toml
//! [[variation]]                  # parts of a recipe laid over it, in turn
//! name = "inner-loud"
//! capture.radius_mm = 62
//! programme.peak_cm_s = 9
//!
//! [grid]                         # every combination of the listed values
//! setup.rotation_deg = [0, 2, 5]
//!
//! [sample]                       # drawn anew for each of `count` captures
//! count = 4
//! chain.skew_us = { value = 0, u = 0.3 }
//! dirt.snr_db = { low = 25, high = 40 }
//! ```
//!
//! Every variation is taken through the whole grid, and every point of the grid
//! is sampled. Captures are named `NAME`, `NAME-VARIATION`, and numbered within
//! grid and sample; each has the recipe's seed plus its index, unless a
//! variation sets one.

use super::random::{Purpose, stream};
use super::recipe::{Recipe, RecipeError, explain};
use crate::outside::nearest;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use toml::{Table, Value};

/// Most captures one recipe may make.
pub const MOST: usize = 10_000;

/// Reads a recipe with its variations: checked recipes, each with its name.
/// `stem` names those that have none.
pub fn expand(text: &str, stem: &str) -> Result<Vec<Recipe>, RecipeError> {
    let mut base: Table =
        toml::from_str(text).map_err(|error: toml::de::Error| explain(&error, Some(text)))?;
    let several = ["variation", "grid", "sample"];
    if !several.iter().any(|key| base.contains_key(*key)) {
        let mut recipe = Recipe::parse(text)?;
        recipe.name.get_or_insert_with(|| stem.to_owned());
        return Ok(vec![recipe]);
    }
    let [variations, grid, sample] = several.map(|key| base.remove(key));
    let name = match base.get("name") {
        Some(Value::String(name)) => name.clone(),
        _ => stem.to_owned(),
    };
    let seed = match base.get("seed") {
        Some(Value::Integer(seed)) => u64::try_from(*seed).unwrap_or(1),
        _ => 1,
    };
    let variations = named(variations)?;
    let grid = points(grid)?;
    let mut sample = SampledDesign::new(sample, seed)?;
    let numbered = grid.len() * sample.count > 1;
    let total = variations.len() * grid.len() * sample.count;
    if total > MOST {
        return Err(wrong(
            "grid",
            &format!("makes {total} captures with the rest; the most is {MOST}"),
        ));
    }

    let mut recipes: Vec<Recipe> = Vec::with_capacity(total);
    for (suffix, variation) in &variations {
        for (number, point) in grid.iter().enumerate() {
            for draw in 0..sample.count {
                let mut table = base.clone();
                let own = seed.wrapping_add(recipes.len() as u64) & i64::MAX as u64;
                table.insert("seed".into(), Value::Integer(own as i64));
                overlay(&mut table, variation);
                overlay(&mut table, point);
                overlay(&mut table, &sample.draw());
                let mut full = name.clone();
                if let Some(suffix) = suffix {
                    full = format!("{full}-{suffix}");
                }
                if numbered {
                    full = format!("{full}-{:03}", number * sample.count + draw + 1);
                }
                table.insert("name".into(), Value::String(full.clone()));
                let recipe = Recipe::from_table(table)
                    .map_err(|error| RecipeError::Text(format!("in capture '{full}': {error}")))?;
                if recipes.iter().any(|other| other.name == recipe.name) {
                    return Err(wrong(
                        "variation.name",
                        &format!(
                            "two captures would be called '{full}'; give them different names"
                        ),
                    ));
                }
                recipes.push(recipe);
            }
        }
    }
    Ok(recipes)
}

fn wrong(key: &str, what: &str) -> RecipeError {
    RecipeError::Value {
        key: key.into(),
        what: what.into(),
    }
}

/// The variations with their names, the names taken out; one nameless empty
/// one when there are none.
fn named(variations: Option<Value>) -> Result<Vec<(Option<String>, Table)>, RecipeError> {
    const WHAT: &str = "write [[variation]] with a name and the keys that differ";
    let Some(variations) = variations else {
        return Ok(vec![(None, Table::new())]);
    };
    let Value::Array(variations) = variations else {
        return Err(wrong("variation", WHAT));
    };
    variations
        .into_iter()
        .map(|variation| {
            let Value::Table(mut variation) = variation else {
                return Err(wrong("variation", WHAT));
            };
            match variation.remove("name") {
                Some(Value::String(name)) => Ok((Some(name), variation)),
                _ => Err(wrong("variation.name", WHAT)),
            }
        })
        .collect()
}

/// Lays one table over another.
fn overlay(onto: &mut Table, from: &Table) {
    for (key, value) in from {
        match (onto.get_mut(key), value) {
            (Some(Value::Table(onto)), Value::Table(from)) => overlay(onto, from),
            _ => {
                onto.insert(key.clone(), value.clone());
            }
        }
    }
}

/// A table with one leaf.
fn leaf(path: &[String], value: Value) -> Table {
    let mut table = Table::new();
    if let [first, rest @ ..] = path {
        let inner = if rest.is_empty() {
            value
        } else {
            Value::Table(leaf(rest, value))
        };
        table.insert(first.clone(), inner);
    }
    table
}

/// All combinations of a grid's lists; the last key changes fastest.
fn points(grid: Option<Value>) -> Result<Vec<Table>, RecipeError> {
    const WHAT: &str = "give each key a list of values, such as setup.rotation_deg = [0, 2, 5]";
    fn walk(
        table: &Table,
        path: &mut Vec<String>,
        lists: &mut Vec<(Vec<String>, Vec<Value>)>,
    ) -> Result<(), RecipeError> {
        for (key, value) in table {
            path.push(key.clone());
            match value {
                Value::Table(inner) => walk(inner, path, lists)?,
                Value::Array(values) if !values.is_empty() => {
                    lists.push((path.clone(), values.clone()));
                }
                _ => return Err(wrong(&format!("grid.{}", path.join(".")), WHAT)),
            }
            path.pop();
        }
        Ok(())
    }
    let mut lists = Vec::new();
    match grid {
        None => {}
        Some(Value::Table(grid)) => walk(&grid, &mut Vec::new(), &mut lists)?,
        Some(_) => return Err(wrong("grid", WHAT)),
    }
    let mut points = vec![Table::new()];
    for (path, values) in lists {
        if points.len().saturating_mul(values.len()) > MOST {
            return Err(wrong("grid", &format!("has more than {MOST} points")));
        }
        points = points
            .iter()
            .flat_map(|point| {
                values.iter().map(|value| {
                    let mut next = point.clone();
                    overlay(&mut next, &leaf(&path, value.clone()));
                    next
                })
            })
            .collect();
    }
    Ok(points)
}

/// How a sampled number is drawn.
#[derive(Debug, Clone, Copy)]
enum Law {
    /// Evenly between two bounds.
    Even { low: f64, high: f64 },
    /// Normally, with a standard deviation.
    Normal { value: f64, u: f64 },
}

struct SampledDesign {
    count: usize,
    laws: Vec<(Vec<String>, Law)>,
    random: ChaCha8Rng,
}

impl SampledDesign {
    fn new(sample: Option<Value>, seed: u64) -> Result<Self, RecipeError> {
        const WHAT: &str =
            "give count, and keys as { low = .., high = .. } or { value = .., u = .. }";
        let mut this = Self {
            count: 1,
            laws: Vec::new(),
            random: stream(seed, Purpose::Variations, 0),
        };
        let Some(sample) = sample else {
            return Ok(this);
        };
        let Value::Table(mut sample) = sample else {
            return Err(wrong("sample", WHAT));
        };
        match sample.remove("count") {
            Some(Value::Integer(count)) if (1..=MOST as i64).contains(&count) => {
                this.count = count as usize;
            }
            _ => return Err(wrong("sample.count", WHAT)),
        }
        this.walk(&sample, &mut Vec::new(), WHAT)?;
        Ok(this)
    }

    fn walk(
        &mut self,
        table: &Table,
        path: &mut Vec<String>,
        what: &str,
    ) -> Result<(), RecipeError> {
        for (key, value) in table {
            path.push(key.clone());
            let here = format!("sample.{}", path.join("."));
            let Value::Table(inner) = value else {
                return Err(wrong(&here, what));
            };
            let number = |key: &str| match inner.get(key) {
                Some(Value::Float(value)) => Some(*value),
                Some(Value::Integer(value)) => Some(*value as f64),
                _ => None,
            };
            let pair = |a: &str, b: &str| Some((number(a)?, number(b)?));
            if inner.values().all(Value::is_table) {
                self.walk(inner, path, what)?;
            } else {
                for key in inner.keys() {
                    let known = ["low", "high", "value", "u"];
                    if !known.contains(&key.as_str()) {
                        let meant = nearest(key, known).ok_or_else(|| wrong(&here, what))?;
                        return Err(RecipeError::UnknownKey {
                            place: format!("{here}: "),
                            key: key.clone(),
                            nearest: meant.to_owned(),
                        });
                    }
                }
                let law = match (inner.len(), pair("low", "high"), pair("value", "u")) {
                    (2, Some((low, high)), _) if low <= high => Law::Even { low, high },
                    (2, _, Some((value, u))) if u >= 0.0 => Law::Normal { value, u },
                    _ => return Err(wrong(&here, what)),
                };
                self.laws.push((path.clone(), law));
            }
            path.pop();
        }
        Ok(())
    }

    fn draw(&mut self) -> Table {
        let mut table = Table::new();
        for (path, law) in &self.laws {
            let number = match *law {
                Law::Even { low, high } => low + (high - low) * self.random.random::<f64>(),
                Law::Normal { value, u } => {
                    value + u * self.random.sample::<f64, _>(StandardNormal)
                }
            };
            overlay(&mut table, &leaf(path, Value::Float(number)));
        }
        table
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BASE: &str = "format = 1\nseed = 10\n[programme]\nkind = \"pink\"\nduration_s = 1\n\
                        [capture]\nradius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n\
                        [cartridge]\nprofile = \"spherical\"\nfrontal_radius_um = 18\n";

    #[test]
    fn one_recipe_is_one_capture() {
        let recipes = expand(BASE, "stem").unwrap();
        assert_eq!(recipes.len(), 1);
        assert_eq!(recipes[0].name.as_deref(), Some("stem"));
        assert_eq!(recipes[0].seed, 10);
    }

    #[test]
    fn variations_grid_and_sample_multiply() {
        let text = format!(
            "{BASE}[[variation]]\nname = \"a\"\n[[variation]]\nname = \"b\"\ncapture.rpm = 45\n\
             [grid]\nsetup.rotation_deg = [1, 2]\ncapture.radius_mm = [60, [75, 70], 140]\n\
             [sample]\ncount = 2\nchain.skew_us = {{ low = -1, high = 1 }}\n\
             setup.rake_deg = {{ value = 5, u = 0.5 }}\n"
        );
        let recipes = expand(&text, "s").unwrap();
        assert_eq!(recipes.len(), 24);
        assert_eq!(recipes[0].name.as_deref(), Some("s-a-001"));
        assert_eq!(recipes[23].name.as_deref(), Some("s-b-012"));
        assert_eq!(recipes[23].seed, 33);
        assert_eq!(recipes[12].capture.rpm, 45.0);
        assert_eq!(recipes[1].chain.full_scale_cm_s, 40.0);
        assert!(
            recipes
                .iter()
                .any(|r| r.capture.radius_mm.array() == [75.0, 70.0])
        );
        assert!(recipes.iter().all(|r| r.chain.skew_us.abs() <= 1.0));
        assert_ne!(recipes[0].chain.skew_us, recipes[1].chain.skew_us);
        assert_eq!(recipes, expand(&text, "s").unwrap());
    }

    #[test]
    fn mistakes_are_named() {
        for (extra, words) in [
            ("[[variation]]\ncapture.rpm = 45\n", "variation.name"),
            (
                "[[variation]]\nname = \"a\"\ncapture.rmp = 45\n",
                "did you mean 'rpm'",
            ),
            (
                "[[variation]]\nname = \"a\"\n[[variation]]\nname = \"a\"\n",
                "give them different names",
            ),
            (
                "[grid]\nsetup.rotation_deg = 3\n",
                "grid.setup.rotation_deg",
            ),
            (
                "[sample]\nchain.skew_us = { low = 0, high = 1 }\n",
                "sample.count",
            ),
            (
                "[sample]\ncount = 1\nchain.skew_us = { low = 0, hihg = 1 }\n",
                "'high'",
            ),
            (
                "[grid]\nsetup.rotation_deg = [90]\n",
                "setup.rotation_deg: 90",
            ),
        ] {
            let message = expand(&format!("{BASE}{extra}"), "s")
                .unwrap_err()
                .to_string();
            assert!(message.contains(words), "{extra}: {message}");
        }
    }
}
