//! The strongest influences of each point.

/// Influences that are kept unless the profile says otherwise: one set of a glTF.
pub const KEPT: usize = 4;
/// The most that can be kept: two sets.
pub const MOST_KEPT: usize = 8;

/// A point's joints and weights, strongest first; weights add up to one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    slots: [u32; MOST_KEPT],
    weights: [f64; MOST_KEPT],
    count: u8,
    most: u8,
}

impl Row {
    /// Nothing yet, and room for so many.
    pub(super) fn keeping(most: usize) -> Self {
        let most = most.clamp(1, MOST_KEPT) as u8;
        Self { slots: [0; MOST_KEPT], weights: [0.0; MOST_KEPT], count: 0, most }
    }

    /// Wholly with one joint.
    pub fn whole(slot: u32) -> Self {
        let mut row = Self::keeping(1);
        row.add(slot, 1.0);
        row
    }

    /// Joints (by their number among the bound ones) and weights, strongest first.
    pub fn influences(&self) -> impl ExactSizeIterator<Item = (u32, f64)> + '_ {
        let count = usize::from(self.count);
        self.slots[..count].iter().copied().zip(self.weights[..count].iter().copied())
    }

    /// The strongest joint; the lower one of equals.
    pub fn dominant(&self) -> Option<u32> {
        (self.count > 0).then(|| self.slots[0])
    }

    /// The weight of a joint.
    pub fn weight(&self, slot: u32) -> f64 {
        self.influences().find(|one| one.0 == slot).map_or(0.0, |one| one.1)
    }

    /// Joints are added in ascending order.
    pub(super) fn add(&mut self, slot: u32, weight: f64) {
        let (count, most) = (usize::from(self.count), usize::from(self.most));
        if weight.is_nan() || weight <= 0.0 || (count == most && weight <= self.weights[most - 1]) {
            return;
        }
        let place = self.weights[..count].partition_point(|known| *known >= weight);
        let count = (count + 1).min(most);
        self.slots.copy_within(place..count - 1, place + 1);
        self.weights.copy_within(place..count - 1, place + 1);
        (self.slots[place], self.weights[place], self.count) = (slot, weight, count as u8);
    }

    /// Scales to a sum of one.
    pub(super) fn renormalise(&mut self) {
        let count = usize::from(self.count);
        let sum: f64 = self.weights[..count].iter().sum();
        if sum > 0.0 {
            for weight in &mut self.weights[..count] {
                *weight /= sum;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_strongest_stay_and_add_up_to_one() {
        let kept = |most: usize| {
            let mut row = Row::keeping(most);
            for (slot, weight) in [0.1, 0.3, 0.05, 0.2, f64::NAN, 0.25, 0.1].into_iter().enumerate() {
                row.add(slot as u32, weight);
            }
            row.renormalise();
            row
        };
        let row = kept(4);
        let found: Vec<_> = row.influences().map(|(slot, weight)| (slot, (weight * 85.0).round())).collect();
        assert_eq!(found, [(1, 30.0), (5, 25.0), (3, 20.0), (0, 10.0)]);
        assert_eq!(row.dominant(), Some(1));
        assert_eq!(kept(1), Row::whole(1));
        assert_eq!(kept(0), Row::whole(1), "one at the least");
        let all: Vec<u32> = kept(100).influences().map(|one| one.0).collect();
        assert_eq!(all, [1, 5, 3, 0, 6, 2]);
    }
}
