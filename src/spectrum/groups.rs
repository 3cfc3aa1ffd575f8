//! Time-ordered groups of frames, bounded in number.

use super::Bin;
use super::limits::{FIRST_GROUP_FRAMES, MOST_GROUPS};

/// Sums over the frames of one stretch of time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Group {
    /// Index of the first frame counted (which may have been taken out again).
    pub first_frame: u64,
    /// Index of the last frame counted, likewise.
    pub last_frame: u64,
    /// Frames summed (frames rejected or silent are not).
    pub frames: u64,
    /// One entry a bin, the first at 0 Hz.
    pub bins: Vec<Bin>,
}

impl Group {
    pub(super) fn new(frame: u64, bins: usize) -> Self {
        Self {
            first_frame: frame,
            last_frame: frame,
            frames: 0,
            bins: vec![Bin::default(); bins],
        }
    }

    #[inline(always)]
    pub(super) fn sum(&mut self, products: &[f32], sign: f64) {
        let count = self.bins.len();
        let (left, rest) = products.split_at(count);
        let (right, rest) = rest.split_at(count);
        let (re, im) = rest.split_at(count);
        for ((((sum, l), r), re), im) in self.bins.iter_mut().zip(left).zip(right).zip(re).zip(im) {
            sum.left += sign * f64::from(*l);
            sum.right += sign * f64::from(*r);
            sum.re += sign * f64::from(*re);
            sum.im += sign * f64::from(*im);
        }
    }

    pub(super) fn join(&mut self, other: &Self) {
        self.first_frame = self.first_frame.min(other.first_frame);
        self.last_frame = self.last_frame.max(other.last_frame);
        self.frames += other.frames;
        for (sum, bin) in self.bins.iter_mut().zip(&other.bins) {
            sum.add(bin);
        }
    }
}

/// Groups by frame index: group `i` holds the frames from
/// `origin + i * length` on. Which frame falls into which group depends on the
/// frame index alone, so no block size or thread count can change a sum.
#[derive(Debug, Clone)]
pub(super) struct Groups {
    origin: u64,
    length: u64,
    bins: usize,
    groups: Vec<Option<Group>>,
}

impl Groups {
    pub fn new(origin: u64, bins: usize) -> Self {
        Self {
            origin,
            length: FIRST_GROUP_FRAMES,
            bins,
            groups: Vec::new(),
        }
    }

    /// Adds one frame's products (planar: left, right, re, im).
    pub fn add(&mut self, frame: u64, products: &[f32]) {
        let mut index = ((frame - self.origin) / self.length) as usize;
        while index >= MOST_GROUPS {
            self.join_pairs();
            index = ((frame - self.origin) / self.length) as usize;
        }
        if index >= self.groups.len() {
            self.groups.resize(index + 1, None);
        }
        let group = self.groups[index].get_or_insert_with(|| Group::new(frame, self.bins));
        group.first_frame = group.first_frame.min(frame);
        group.last_frame = group.last_frame.max(frame);
        group.frames += 1;
        group.sum(products, 1.0);
    }

    /// Takes one frame's products out again.
    pub fn remove(&mut self, frame: u64, products: &[f32]) {
        let index = ((frame - self.origin) / self.length) as usize;
        let Some(group) = self.groups.get_mut(index).and_then(Option::as_mut) else {
            return;
        };
        group.frames -= 1;
        if group.frames == 0 {
            self.groups[index] = None;
        } else {
            group.sum(products, -1.0);
        }
    }

    fn join_pairs(&mut self) {
        let mut joined = Vec::with_capacity(MOST_GROUPS);
        let mut old = std::mem::take(&mut self.groups).into_iter();
        while let Some(first) = old.next() {
            joined.push(both(first, old.next().flatten()));
        }
        self.groups = joined;
        self.length *= 2;
    }

    /// The groups of both, which share an origin.
    pub fn with(mut self, mut other: Self) -> Self {
        while self.length < other.length {
            self.join_pairs();
        }
        while other.length < self.length {
            other.join_pairs();
        }
        let count = self.groups.len().max(other.groups.len());
        self.groups.resize(count, None);
        for (own, other) in self.groups.iter_mut().zip(other.groups) {
            *own = both(own.take(), other);
        }
        self
    }

    pub fn into_list(self) -> Vec<Group> {
        self.groups.into_iter().flatten().collect()
    }

    pub fn iter(&self) -> impl Iterator<Item = &Group> {
        self.groups.iter().flatten()
    }
}

/// Joins neighbours in pairs until there are no more than may be kept.
pub(super) fn bound(groups: &mut Vec<Group>) {
    while groups.len() > MOST_GROUPS {
        let mut old = std::mem::take(groups).into_iter();
        while let Some(first) = old.next() {
            groups.extend(both(Some(first), old.next()));
        }
    }
}

/// Two groups as one, where there are two.
fn both(a: Option<Group>, b: Option<Group>) -> Option<Group> {
    match (a, b) {
        (Some(mut a), Some(b)) => {
            a.join(&b);
            Some(a)
        }
        (a, b) => a.or(b),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_stay_bounded_ordered_and_lossless() {
        let mut groups = Groups::new(10, 1);
        for frame in 10..10_010_u64 {
            groups.add(frame, &[1.0, 2.0, frame as f32, -1.0]);
        }
        let list: Vec<_> = groups.iter().collect();
        assert!(list.len() <= MOST_GROUPS && list.len() > MOST_GROUPS / 2);
        assert!(
            list.windows(2)
                .all(|w| w[0].last_frame + 1 == w[1].first_frame)
        );
        assert_eq!(list.iter().map(|g| g.frames).sum::<u64>(), 10_000);
        let re: f64 = list.iter().map(|g| g.bins[0].re).sum();
        assert_eq!(re, (10..10_010).sum::<u64>() as f64);
    }

    #[test]
    fn more_groups_than_may_be_kept_are_joined_in_order() {
        let of = |frame: u64| Group {
            frames: 1,
            ..Group::new(frame, 1)
        };
        let mut groups: Vec<Group> = (0..3 * MOST_GROUPS as u64 - 1).map(of).collect();
        bound(&mut groups);
        assert_eq!(groups.len(), 3 * MOST_GROUPS / 4);
        assert!(
            groups
                .windows(2)
                .all(|w| w[0].last_frame + 1 == w[1].first_frame)
        );
        let frames: u64 = groups.iter().map(|g| g.frames).sum();
        assert_eq!(frames, 3 * MOST_GROUPS as u64 - 1);
        let mut few: Vec<Group> = (0..MOST_GROUPS as u64).map(of).collect();
        bound(&mut few);
        assert_eq!(few.len(), MOST_GROUPS);
    }

    #[test]
    fn groups_of_two_kinds_are_joined_without_overlap() {
        let (mut long, mut short) = (Groups::new(0, 1), Groups::new(0, 1));
        for frame in 0..1_000 {
            long.add(frame, &[1.0; 4]);
        }
        for frame in 40..60 {
            short.add(frame, &[1.0; 4]);
        }
        for joined in [long.clone().with(short.clone()), short.with(long)] {
            let list: Vec<_> = joined.iter().collect();
            assert!(list.windows(2).all(|w| w[0].last_frame < w[1].first_frame));
            assert_eq!(list.iter().map(|g| g.frames).sum::<u64>(), 1_020);
            assert!(list.len() <= MOST_GROUPS);
        }
    }

    #[test]
    fn what_is_taken_out_is_gone() {
        let mut groups = Groups::new(0, 1);
        for frame in 0..4 {
            groups.add(frame, &[1.0, 2.0, frame as f32, -1.0]);
        }
        groups.remove(1, &[1.0, 2.0, 1.0, -1.0]);
        let list: Vec<_> = groups.iter().cloned().collect();
        assert_eq!((list.len(), list[0].frames), (2, 1));
        let left = list[0].bins[0];
        assert_eq!(
            [left.left, left.right, left.re, left.im],
            [1.0, 2.0, 0.0, -1.0]
        );
        groups.remove(0, &[1.0, 2.0, 0.0, -1.0]);
        assert_eq!(groups.iter().count(), 1);
    }

    #[test]
    fn a_gap_leaves_no_empty_group() {
        let mut groups = Groups::new(0, 1);
        groups.add(0, &[1.0; 4]);
        groups.add(1_000_000, &[1.0; 4]);
        assert_eq!(groups.iter().count(), 2);
    }
}
