//! Numbers that look random and are the same every time.

use glam::DVec3;

/// splitmix64 (Steele, Lea, Flood: Fast Splittable Pseudorandom Number Generators, OOPSLA 2014).
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// A sequence of its own for each name and number.
    pub fn new(name: &str, number: u64) -> Self {
        // FNV-1a over the name.
        let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
        });
        Self(hash ^ number.wrapping_mul(0x9e37_79b9_7f4a_7c15))
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `count`, which is not zero.
    pub fn below(&mut self, count: usize) -> usize {
        (self.bits() % (count.max(1) as u64)) as usize
    }

    /// A number from 0 up to but not including 1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// One or minus one.
    pub fn sign(&mut self) -> f64 {
        if self.bits() & 1 == 0 { 1.0 } else { -1.0 }
    }

    /// A direction, evenly drawn.
    pub fn direction(&mut self) -> DVec3 {
        let z = 2.0 * self.unit() - 1.0;
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        let flat = (1.0 - z * z).max(0.0).sqrt();
        DVec3::new(flat * cos, flat * sin, z)
    }

    /// One of a list.
    pub fn pick<T: Copy>(&mut self, list: &[T]) -> Option<T> {
        if list.is_empty() { None } else { Some(list[self.below(list.len())]) }
    }
}

#[cfg(test)]
mod tests {
    use super::Random;

    /// The published test sequence for the seed 1234567 (from memory), which agrees with these lines.
    #[test]
    fn it_is_splitmix64() {
        let mut random = Random(1_234_567);
        let first: Vec<u64> = (0..3).map(|_| random.bits()).collect();
        assert_eq!(first, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }
}
