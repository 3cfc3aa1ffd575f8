//! Standing of a result by its warnings: the only place where these have
//! consequences.

use super::{Caveat, Level};

/// Whether a result may be used, by its final list of warnings.
///
/// Verdict, turn and probability are stated, and a command ends with status 0,
/// only through this: `allow` lets a statement through or withholds it, and
/// `in_doubt` is the first line of whatever shows the result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing<'a> {
    doubt: Option<&'a Caveat>,
}

impl<'a> Standing<'a> {
    /// The standing of a result with these warnings: its first serious one puts it
    /// in doubt.
    pub fn of(warnings: &'a [Caveat]) -> Self {
        Self {
            doubt: warnings.iter().find(|c| c.level == Level::Serious),
        }
    }

    /// Why the result is in doubt, as a line by itself; `None` where it is not.
    pub fn in_doubt(self) -> Option<String> {
        self.doubt.map(|c| format!("In doubt: {}", c.message))
    }

    /// Whether the result is in doubt.
    pub fn is_doubted(self) -> bool {
        self.doubt.is_some()
    }

    /// A verdict, a turn or a probability, unless the result is in doubt.
    pub fn allow<T>(self, statement: Option<T>) -> Option<T> {
        statement.filter(|_| self.doubt.is_none())
    }

    /// Whether a command passes whose request is `met`.
    pub fn passes(self, met: bool) -> bool {
        met && self.doubt.is_none()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::Warning;

    #[test]
    fn a_serious_warning_withholds_and_lesser_ones_do_not() {
        let lesser = [
            Caveat::note(Warning::Balance, "a note"),
            Caveat::caution(Warning::Noisy, "a caution"),
        ];
        let standing = Standing::of(&lesser);
        assert_eq!(standing.in_doubt(), None);
        assert_eq!(standing.allow(Some(3)), Some(3));
        assert!(standing.passes(true) && !standing.passes(false));
        let serious = [
            lesser.to_vec(),
            vec![Caveat::serious(Warning::NotMono, "not mono")],
        ]
        .concat();
        let standing = Standing::of(&serious);
        assert_eq!(standing.in_doubt().as_deref(), Some("In doubt: not mono"));
        assert_eq!(standing.allow(Some(3)), None);
        assert!(!standing.passes(true) && standing.is_doubted());
    }
}
