//! The strongest influences of each point.

/// Influences that are kept.
pub const KEPT: usize = 4;

/// A point's joints and weights, strongest first; weights add up to one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    slots: [u32; KEPT],
    weights: [f64; KEPT],
    count: u8,
}

impl Row {
    /// Nothing yet.
    pub(super) const EMPTY: Self = Self { slots: [0; KEPT], weights: [0.0; KEPT], count: 0 };

    /// Wholly with one joint.
    pub fn whole(slot: u32) -> Self {
        let mut row = Self::EMPTY;
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
        let count = usize::from(self.count);
        if weight.is_nan() || weight <= 0.0 || (count == KEPT && weight <= self.weights[KEPT - 1]) {
            return;
        }
        let place = self.weights[..count].partition_point(|known| *known >= weight);
        let count = (count + 1).min(KEPT);
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
    fn the_strongest_four_stay_and_add_up_to_one() {
        let mut row = Row::EMPTY;
        for (slot, weight) in [0.1, 0.3, 0.05, 0.2, f64::NAN, 0.25, 0.1].into_iter().enumerate() {
            row.add(slot as u32, weight);
        }
        row.renormalise();
        let found: Vec<_> = row.influences().map(|(slot, weight)| (slot, (weight * 85.0).round())).collect();
        assert_eq!(found, [(1, 30.0), (5, 25.0), (3, 20.0), (0, 10.0)]);
        assert_eq!(row.dominant(), Some(1));
    }
}
