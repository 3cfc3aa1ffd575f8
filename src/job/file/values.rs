//! Types of the values in a job file. A message continues after the name of the key; [`FileError`] prefixes line,
//! table and key. Ranges and units of numbers and quantities are given where their keys are used.

use super::slip::{FileError, NO_LIST, NO_NAME, NO_TABLE};
use crate::job::description::Stated;
use crate::uncertainty::Warning;
use crate::units::{
    MILLIMETRE, QuantityError, nominal_rpm, parse_number, parse_rpm, parse_seconds, written,
};
use serde::de::value::{MapAccessDeserializer, SeqAccessDeserializer};
use serde::de::{Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_spanned::Spanned;
use std::fmt;
use std::marker::PhantomData;
use std::ops::RangeInclusive;
use std::path::PathBuf;
use toml::value::Datetime;

/// Standard uncertainties understood, in the unit of the key: a femtosecond or
/// a femtometre is below everything measured here, a million of any unit above
/// every range of values. Their squares stay far from the ends of a double.
const UNCERTAINTIES: RangeInclusive<f64> = 1e-9..=1e6;

/// The field by which the parser passes a date to serde as a table; serde names it when it refuses a date.
const DATE: &str = "$__toml_private_datetime";

/// Speeds understood, revolutions per minute: from half of the slowest to above the fastest in use.
const SPEEDS_RPM: RangeInclusive<f64> = 8.0..=200.0;

// Wrappers have the schema of their content, so they must have no doc comment of their own.

// A value with its position in the file.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema), schemars(with = "T"))]
pub struct Located<T> {
    pub value: T,
    /// Offset of its first byte.
    pub at: usize,
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Located<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let spanned = Spanned::<T>::deserialize(deserializer)?;
        let at = spanned.span().start;
        let value = spanned.into_inner();
        Ok(Self { value, at })
    }
}

/// A value: a table, or anything else.
#[derive(Clone)]
pub enum Value<L, T> {
    Scalar(Scalar<L>),
    Table(T),
}

/// A value that is not a table.
#[derive(Clone)]
pub enum Scalar<L> {
    Number(f64),
    Text(String),
    Date(Datetime),
    List(L),
    Other,
}

impl<'de, L: Deserialize<'de>, T: Deserialize<'de>> Deserialize<'de> for Value<L, T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Any<L, T>(PhantomData<(L, T)>);
        impl<'de, L: Deserialize<'de>, T: Deserialize<'de>> Visitor<'de> for Any<L, T> {
            type Value = Value<L, T>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a finite number")
            }
            fn visit_i64<E: Error>(self, v: i64) -> Result<Self::Value, E> {
                self.visit_f64(v as f64)
            }
            fn visit_f64<E: Error>(self, v: f64) -> Result<Self::Value, E> {
                Ok(Value::Scalar(Scalar::Number(v)))
            }
            fn visit_str<E: Error>(self, v: &str) -> Result<Self::Value, E> {
                Ok(Value::Scalar(Scalar::Text(v.to_owned())))
            }
            fn visit_bool<E: Error>(self, _: bool) -> Result<Self::Value, E> {
                Ok(Value::Scalar(Scalar::Other))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, list: A) -> Result<Self::Value, A::Error> {
                let list = L::deserialize(SeqAccessDeserializer::new(list))?;
                Ok(Value::Scalar(Scalar::List(list)))
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Self::Value, A::Error> {
                match T::deserialize(MapAccessDeserializer::new(map)) {
                    Err(e) if e.to_string().contains(DATE) => Ok(Value::Scalar(Scalar::Other)),
                    table => table.map(Value::Table),
                }
            }
        }
        deserializer.deserialize_any(Any(PhantomData))
    }
}

impl<L> Scalar<L> {
    /// The value if it is not a table. The parser passes a date as a table.
    pub fn of(value: Value<L, Date>) -> Self {
        match value {
            Value::Scalar(scalar) => scalar,
            Value::Table(Date(date)) => date.map_or(Self::Other, Self::Date),
        }
    }

    fn number(self) -> Result<f64, String> {
        match self {
            Self::Number(number) if number.is_finite() => Ok(number),
            Self::Text(text) => Err(match parse_number(&text, "a number") {
                Ok(_) => "must be a number without quotes".to_owned(),
                Err(e) => format!("must be a number without quotes ({e})"),
            }),
            Self::List(_) => Err(
                "must be one number; with its standard uncertainty it is { value = ..., u = ... }"
                    .to_owned(),
            ),
            _ => Err("must be a finite number".to_owned()),
        }
    }

    /// A number, or a text that stands for one.
    fn number_or(self, parse: fn(&str) -> Result<f64, QuantityError>) -> Result<f64, String> {
        match self {
            Self::Text(text) => parse(&text).map_err(|e| format!(": {e}")),
            other => other.number(),
        }
    }
}

/// A date, if a table is one.
#[derive(Clone)]
pub struct Date(Option<Datetime>);

impl<'de> Deserialize<'de> for Date {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(Self(Datetime::deserialize(deserializer).ok()))
    }
}

/// Read from a value that is not a table.
pub trait FromScalar: Sized {
    /// Type of the items, if the value is a list.
    type List;
    fn from_scalar(scalar: Scalar<Self::List>) -> Result<Self, String>;
}

/// Defines the value types: content, type of list items, schema, and parser.
macro_rules! scalar {
    ($($(#[$about:meta])* $name:ident($type:ty; $list:ty; $($schema:tt)*): $read:expr;)*) => {$(
        $(#[$about])*
        #[derive(Clone)]
        #[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
        pub struct $name(#[cfg_attr(feature = "cli", schemars($($schema)*))] pub $type);

        impl FromScalar for $name {
            type List = $list;
            fn from_scalar(scalar: Scalar<$list>) -> Result<Self, String> {
                let read: fn(Scalar<$list>) -> Result<$type, String> = $read;
                read(scalar).map(Self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let scalar = Scalar::of(Value::deserialize(deserializer)?);
                Self::from_scalar(scalar).map_err(D::Error::custom)
            }
        }

        impl From<$name> for $type {
            fn from(read: $name) -> Self {
                read.0
            }
        }
    )*};
}

scalar! {
    /// The format of the file: always 1.
    Format(f64; IgnoredAny; with = "u8", range(min = 1, max = 1)): |scalar| match scalar.number()? {
        1.0 => Ok(1.0),
        other => Err(format!("= {other} is unknown; this version reads format = 1")),
    };

    /// A number.
    Number(f64; IgnoredAny; with = "f64"): Scalar::number;

    /// A standard uncertainty (one standard deviation) in the unit of the key; 0 means exact.
    Uncertainty(f64; IgnoredAny; with = "f64", range(min = 0)): |scalar| match scalar.number()? {
        u if u == 0.0 || UNCERTAINTIES.contains(&u) => Ok(u),
        u if u < 0.0 => Err(format!("= {u} is negative; a standard uncertainty is one standard deviation")),
        u => Err(format!(
            "= {u:e} is out of range; a standard uncertainty must be 0 (exact) or lie between {:e} and {:e}",
            UNCERTAINTIES.start(), UNCERTAINTIES.end()
        )),
    };

    /// A speed in revolutions per minute: a number, or a fraction between quotes; 33 means 100/3.
    Rpm(f64; IgnoredAny; with = "Either<f64, String>"): |scalar| match nominal_rpm(scalar.number_or(parse_rpm)?) {
        rpm if SPEEDS_RPM.contains(&rpm) => Ok(rpm),
        rpm => Err(format!("= {} is not a record speed; write 33, 45, 78.26 or \"100/3\"", written(rpm))),
    };

    /// A time from the start of a recording: seconds, or "m:ss" between quotes.
    Time(f64; IgnoredAny; with = "Either<f64, String>"): |scalar| match scalar.number_or(parse_seconds)? {
        seconds if (0.0..=1e6).contains(&seconds) => Ok(seconds),
        seconds => Err(format!("= {seconds} s is not a time in a recording")),
    };

    /// A radius, millimetres, or the two at start and end.
    RadiusMm([f64; 2]; Vec<Number>; with = "Either<f64, [f64; 2]>"): |scalar| {
        let range = Warning::RadiusOffTheRecord.range();
        let ends = match scalar {
            Scalar::List(list) => match list[..] {
                [Number(start), Number(end)] => [start, end],
                _ => return Err("must be one radius, or those at start and end: [75, 70] (with decimal points)".to_owned()),
            },
            one => [one.number()?; 2],
        };
        Ok([in_range(ends[0], &range)?, in_range(ends[1], &range)?])
    };

    /// Which channels of a recording are left and right, counted from 1.
    Channels([usize; 2]; Vec<Number>; with = "[std::num::NonZeroU16; 2]"): |scalar| {
        let channel = |n: f64| (n >= 1.0 && n.fract() == 0.0).then_some(n as usize);
        let pair = match scalar {
            Scalar::List(list) => match list[..] {
                [Number(left), Number(right)] => channel(left).zip(channel(right)),
                _ => None,
            },
            _ => None,
        };
        let wanted = || "must be a pair of channels, left and right, counted from 1: channels = [2, 1]".to_owned();
        pair.map(|(left, right)| [left, right]).ok_or_else(wanted)
    };

    /// A text. A date needs no quotes in TOML.
    Text(String; IgnoredAny; with = "String"): |scalar| match scalar {
        Scalar::Text(text) => Ok(text),
        Scalar::Date(date) => Ok(date.to_string()),
        _ => Err("must be text between quotes".to_owned()),
    };

    /// A day, as 2026-02-03, with or without quotes. Equal days mean readings in common, so a day has one form.
    Day(String; IgnoredAny; with = "String"): |scalar| {
        let read: Option<Datetime> = match scalar {
            Scalar::Date(date) => Some(date),
            Scalar::Text(text) => text.parse().ok(),
            _ => None,
        };
        let day = read.filter(|d| d.date.is_some() && d.time.is_none());
        day.map(|d| d.to_string()).ok_or_else(|| "must be a day, such as 2026-02-03".to_owned())
    };

    /// A path, relative to the file. A backslash between double quotes may be read as a control character by TOML.
    FilePath(PathBuf; IgnoredAny; with = "String"): |scalar| match scalar {
        Scalar::Text(text) if text.contains(char::is_control) => Err(
            "has a control character in its path; write paths with '/' or between single quotes".to_owned(),
        ),
        Scalar::Text(text) => Ok(PathBuf::from(text)),
        Scalar::Date(date) => Ok(PathBuf::from(date.to_string())),
        _ => Err("must be the name of a file between quotes".to_owned()),
    };
}

/// How a table occurs in the file: once, by name, or in a list.
pub const ALONE: u8 = 0;
pub const NAMED: u8 = 1;
pub const LISTED: u8 = 2;

// A table with its position. A list of its values in order, which serde would accept as a table, is refused.
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema), schemars(with = "T"))]
pub struct Table<T, const STANDS: u8 = ALONE> {
    pub value: T,
    /// Offset of its first byte.
    pub at: usize,
}

impl<'de, T: Deserialize<'de>, const STANDS: u8> Deserialize<'de> for Table<T, STANDS> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let Located { value, at } = Located::<Value<IgnoredAny, T>>::deserialize(deserializer)?;
        match value {
            Value::Table(value) => Ok(Self { value, at }),
            Value::Scalar(_) => Err(D::Error::custom(match STANDS {
                NAMED => NO_NAME,
                LISTED => NO_LIST,
                _ => NO_TABLE,
            })),
        }
    }
}

/// Content of a table.
pub fn table<'de, T: Deserialize<'de>, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<T, D::Error> {
    Table::<T>::deserialize(deserializer).map(|table| table.value)
}

// A value alone, or with its standard uncertainty.
#[cfg_attr(
    feature = "cli",
    derive(schemars::JsonSchema),
    schemars(with = "Either<T, ValueAndU<T>>")
)]
pub struct WithUncertainty<T> {
    pub value: T,
    pub u: Option<f64>,
}

/// A value with its standard uncertainty.
#[derive(Deserialize)]
#[cfg_attr(
    feature = "cli",
    derive(schemars::JsonSchema),
    schemars(rename = "{T}AndU")
)]
#[serde(deny_unknown_fields)]
struct ValueAndU<T> {
    /// The value, in the unit of the key.
    value: T,
    /// Its standard uncertainty.
    u: Option<Uncertainty>,
}

impl<'de, T: FromScalar<List: Deserialize<'de>> + Deserialize<'de>> Deserialize<'de>
    for WithUncertainty<T>
{
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match Value::<T::List, ValueAndU<T>>::deserialize(deserializer)? {
            Value::Table(ValueAndU { value, u }) => Ok(Self {
                value,
                u: u.map(|u| u.0),
            }),
            Value::Scalar(scalar) => match T::from_scalar(scalar) {
                Ok(value) => Ok(Self { value, u: None }),
                Err(e) => Err(D::Error::custom(e)),
            },
        }
    }
}

/// A number with or without its uncertainty, in the unit of its key.
pub type Quantity = Located<WithUncertainty<Number>>;
/// A speed with or without its uncertainty.
pub type Speed = Located<WithUncertainty<Rpm>>;
/// A radius with or without its uncertainty.
pub type Radius = Located<WithUncertainty<RadiusMm>>;

// One thing, or a list of them.
#[cfg_attr(
    feature = "cli",
    derive(schemars::JsonSchema),
    schemars(with = "Either<T, Vec<T>>")
)]
pub struct OneOrMany<T>(pub Vec<Located<T>>);

impl<'de, T: FromScalar<List = IgnoredAny> + Deserialize<'de>> Deserialize<'de> for OneOrMany<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let Located { value, at } =
            Located::<Value<Vec<Located<T>>, Date>>::deserialize(deserializer)?;
        let scalar = match Scalar::of(value) {
            Scalar::List(list) => return Ok(Self(list)),
            Scalar::Text(text) => Scalar::Text(text),
            Scalar::Date(date) => Scalar::Date(date),
            _ => Scalar::Other,
        };
        let value = T::from_scalar(scalar).map_err(D::Error::custom)?;
        Ok(Self(vec![Located { value, at }]))
    }
}

// One of two forms, for schemas.
#[cfg(feature = "cli")]
#[derive(schemars::JsonSchema)]
#[schemars(untagged, inline)]
#[expect(dead_code, reason = "only its schema is used")]
pub enum Either<A, B> {
    A(A),
    B(B),
}

pub fn in_range(number: f64, range: &RangeInclusive<f64>) -> Result<f64, String> {
    let (least, most) = (range.start(), range.end());
    match range.contains(&number) {
        true => Ok(number),
        false => Err(format!(
            "= {number} is out of range; it must lie between {least} and {most}"
        )),
    }
}

/// Position of a key's value, if the key is present.
pub fn place<T>(key: &Option<Located<T>>) -> Option<usize> {
    key.as_ref().map(|key| key.at)
}

/// A number within a range.
pub fn number(
    key: &Option<Located<Number>>,
    range: RangeInclusive<f64>,
) -> Result<Option<f64>, FileError> {
    let ranged = |key: &Located<Number>| {
        in_range(key.value.0, &range).map_err(|e| FileError::of_key(key.at, e))
    };
    key.as_ref().map(ranged).transpose()
}

/// A whole number within a range.
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Count<const LEAST: u16, const MOST: u16>(
    #[cfg_attr(feature = "cli", schemars(range(min = LEAST, max = MOST)))] pub usize,
);

impl<'de, const LEAST: u16, const MOST: u16> Deserialize<'de> for Count<LEAST, MOST> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let Number(number) = Number::deserialize(deserializer)?;
        let range = f64::from(LEAST)..=f64::from(MOST);
        match in_range(number, &range).map_err(D::Error::custom)? {
            whole if whole.fract() == 0.0 => Ok(Self(whole as usize)),
            _ => Err(D::Error::custom("must be a whole number")),
        }
    }
}

/// The same, as a number.
pub fn count<'de, const LEAST: u16, const MOST: u16, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Option<usize>, D::Error> {
    Count::<LEAST, MOST>::deserialize(deserializer).map(|count| Some(count.0))
}

/// A quantity within a range, which is in the unit of the key; `si` converts that unit to SI.
pub fn quantity<'a>(
    key: impl Into<Option<&'a Quantity>>,
    si: f64,
    range: RangeInclusive<f64>,
) -> Result<Stated, FileError> {
    let Some(key) = key.into() else {
        return Ok(Stated::default());
    };
    let value = in_range(key.value.value.0, &range).map_err(|e| FileError::of_key(key.at, e))?;
    Ok(Stated {
        value: Some(value * si),
        u: key.value.u.map(|u| u * si),
    })
}

impl Speed {
    /// As stated in the file.
    pub fn stated(&self) -> Stated {
        let WithUncertainty { value, u } = &self.value;
        Stated {
            value: Some(value.0),
            u: *u,
        }
    }
}

impl Radius {
    /// At start and end, with its standard uncertainty; metres.
    pub fn metres(&self) -> ([f64; 2], Option<f64>) {
        let WithUncertainty { value, u } = &self.value;
        (
            value.0.map(|mm| mm * MILLIMETRE),
            u.map(|mm| mm * MILLIMETRE),
        )
    }
}
