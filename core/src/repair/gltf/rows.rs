//! The influences of one primitive, row by row, in the storage of the file.

use super::store::Payload;
use super::{Session, Stop, no};
use crate::model::{Influences, Skin, SkinId, WeightStorage};

/// One influence: slot in the skin, weight.
pub(super) type Slot = (u16, f64);

/// The influences of one primitive.
#[derive(Debug, Clone)]
pub(super) struct Rows {
    sets: Vec<Influences>,
    /// n of JOINTS_n, by set.
    numbers: Vec<u32>,
    /// Vertices with a row in every set.
    pub(super) count: usize,
    whole: Option<f64>,
    joints_changed: Vec<bool>,
    weights_changed: Vec<bool>,
}

impl Rows {
    /// Slots of a row.
    pub(super) fn capacity(&self) -> usize {
        self.sets.len() * 4
    }

    /// A vertex' slots, used or not, into `out`.
    pub(super) fn read(&self, vertex: usize, out: &mut Vec<Slot>) {
        out.clear();
        for set in &self.sets {
            out.extend(set.joints[vertex].iter().copied().zip(set.weights[vertex].map(f64::from)));
        }
    }

    /// A vertex' used slots.
    pub(super) fn used(&self, vertex: usize, out: &mut Vec<Slot>) {
        self.read(vertex, out);
        out.retain(|(_, weight)| *weight > 0.0);
    }

    /// Weights as they are stored sum to this, where they are whole numbers.
    pub(super) fn whole(&self) -> Option<f64> {
        self.whole
    }

    /// Puts a row as it is: its weights are stored to the nearest number. Answers whether a bit has changed.
    pub(super) fn put(&mut self, vertex: usize, slots: &[Slot]) -> bool {
        let weights: Vec<f32> = match self.whole {
            None => slots.iter().map(|(_, weight)| *weight as f32).collect(),
            Some(whole) => {
                slots.iter().map(|(_, w)| share((w * whole).round().clamp(0.0, whole), whole)).collect()
            }
        };
        self.store(vertex, slots, &weights)
    }

    /// Puts a row scaled to the sum of one: integers by largest remainder, so that their sum is exact. Answers whether a
    /// bit has changed. A row without a positive sum is left alone.
    pub(super) fn put_whole(&mut self, vertex: usize, slots: &[Slot]) -> bool {
        let sum: f64 = slots.iter().map(|(_, weight)| weight).sum();
        if !(sum > 0.0 && sum.is_finite()) {
            return false;
        }
        let weights: Vec<f32> = match self.whole {
            None => slots.iter().map(|(_, weight)| (weight / sum) as f32).collect(),
            Some(whole) => integers(slots, sum, whole).into_iter().map(|w| share(w, whole)).collect(),
        };
        self.store(vertex, slots, &weights)
    }

    /// Puts the largest of any number of influences, as many as a row holds, scaled to the sum of one.
    pub(super) fn put_best(&mut self, vertex: usize, influences: &[Slot]) -> bool {
        let mut best: Vec<Slot> = influences.iter().copied().filter(|(_, w)| *w > 0.0).collect();
        best.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        best.truncate(self.capacity());
        best.resize(self.capacity(), (0, 0.0));
        self.put_whole(vertex, &best)
    }

    fn store(&mut self, vertex: usize, slots: &[Slot], weights: &[f32]) -> bool {
        let mut changed = false;
        for (at, (slot, weight)) in slots.iter().zip(weights).enumerate() {
            let (set, place) = (at / 4, at % 4);
            let Some(it) = self.sets.get_mut(set) else { break };
            // A slot without weight names joint 0 (glTF 2.0 §3.7.3.3).
            let joint = if *weight == 0.0 { 0 } else { slot.0 };
            if it.joints[vertex][place] != joint {
                it.joints[vertex][place] = joint;
                self.joints_changed[set] = true;
                changed = true;
            }
            if it.weights[vertex][place].to_bits() != weight.to_bits() {
                it.weights[vertex][place] = *weight;
                self.weights_changed[set] = true;
                changed = true;
            }
        }
        changed
    }
}

/// A whole number as the weight that readers make of it.
fn share(number: f64, whole: f64) -> f32 {
    number as f32 / whole as f32
}

/// Whole numbers that sum exactly to `whole`: rounded down, and the largest remainders up. Zeros stay.
fn integers(slots: &[Slot], sum: f64, whole: f64) -> Vec<f64> {
    let exact: Vec<f64> = slots.iter().map(|(_, weight)| (weight / sum * whole).max(0.0)).collect();
    let mut out: Vec<f64> = exact.iter().map(|e| e.floor()).collect();
    let missing = (whole - out.iter().sum::<f64>()).max(0.0) as usize;
    let mut order: Vec<usize> = (0..out.len()).filter(|at| exact[*at] > 0.0).collect();
    order.sort_by(|a, b| (exact[*b] - out[*b]).total_cmp(&(exact[*a] - out[*a])));
    for at in order.into_iter().take(missing) {
        out[at] += 1.0;
    }
    out
}

impl<'a> Session<'a> {
    /// The influences of a primitive, for a change.
    pub(super) fn rows(&mut self, mesh: usize, primitive: usize) -> Result<&mut Rows, Stop> {
        if !self.rows.contains_key(&(mesh, primitive)) {
            let rows = self.load(mesh, primitive)?;
            self.rows.insert((mesh, primitive), rows);
        }
        self.rows.get_mut(&(mesh, primitive)).ok_or_else(|| no("primitive", primitive))
    }

    fn load(&mut self, mesh: usize, primitive: usize) -> Result<Rows, Stop> {
        let it = self.rig.meshes.get(mesh).ok_or_else(|| no("mesh", mesh))?;
        let it = it.primitives.get(primitive).ok_or_else(|| no("primitive", primitive))?;
        let numbers: Vec<u32> =
            it.joint_sets.iter().copied().filter(|set| it.weight_sets.contains(set)).collect();
        let Some(first) = it.influences.first() else { return Err("the primitive has no influences".into()) };
        if numbers.len() != it.influences.len() {
            return Err("some of its influences could not be read".into());
        }
        if it.influences.iter().any(|set| set.storage != first.storage) {
            return Err("its weights are stored in more than one way".into());
        }
        let packed =
            format!("/meshes/{mesh}/primitives/{primitive}/extensions/KHR_draco_mesh_compression/attributes");
        for number in &numbers {
            for stem in ["JOINTS", "WEIGHTS"] {
                if self.document.has(&format!("{packed}/{stem}_{number}")) {
                    return Err(
                        "its weights lie inside a Draco-compressed mesh, which is not packed anew".into()
                    );
                }
            }
        }
        let count =
            it.influences.iter().map(|set| set.joints.len().min(set.weights.len())).min().unwrap_or(0);
        Ok(Rows {
            count,
            whole: match first.storage {
                WeightStorage::Float => None,
                WeightStorage::Unorm8 => Some(255.0),
                WeightStorage::Unorm16 => Some(65_535.0),
            },
            joints_changed: vec![false; numbers.len()],
            weights_changed: vec![false; numbers.len()],
            sets: it.influences.clone(),
            numbers,
        })
    }

    /// The skin that a mesh is drawn with; one that is drawn with several has no joints of its own to speak of.
    pub(super) fn skin_of(&self, mesh: usize) -> Result<(usize, &'a Skin), Stop> {
        let rig = self.rig;
        let it = rig.meshes.get(mesh).ok_or_else(|| no("mesh", mesh))?;
        let mut skins: Vec<SkinId> =
            it.users.iter().filter_map(|node| rig.nodes[node.index()].skin).collect();
        skins.sort_unstable();
        skins.dedup();
        match skins.as_slice() {
            [only] => Ok((only.index(), &rig.skins[only.index()])),
            [] => Err("no skin draws the mesh".into()),
            _ => Err("the mesh is drawn with more than one skin".into()),
        }
    }

    /// The slot of a node in a skin.
    pub(super) fn slot_of(&self, skin: &Skin, node: usize) -> Result<u16, Stop> {
        let joint = self.node(node)?;
        let joint = self.rig.nodes[joint.index()].joint;
        skin.joints
            .iter()
            .position(|at| Some(*at) == joint)
            .and_then(|slot| u16::try_from(slot).ok())
            .ok_or_else(|| Stop::Refused(format!("node {node} is no joint of the skin")))
    }

    /// Changed influences into payloads.
    pub(super) fn settle_rows(&mut self) {
        for ((mesh, primitive), rows) in std::mem::take(&mut self.rows) {
            let attribute = |stem: &str, number: u32| {
                format!("/meshes/{mesh}/primitives/{primitive}/attributes/{stem}_{number}")
            };
            for (at, set) in rows.sets.iter().enumerate() {
                let number = rows.numbers[at];
                if rows.joints_changed[at] {
                    let pointer = attribute("JOINTS", number);
                    let wide = set.joints.iter().flatten().any(|joint| *joint > 255)
                        || self.component(&pointer) != Some(5121);
                    let bytes: Vec<u8> = if wide {
                        set.joints.iter().flatten().flat_map(|joint| joint.to_le_bytes()).collect()
                    } else {
                        set.joints.iter().flatten().map(|joint| *joint as u8).collect()
                    };
                    let component = if wide { 5123 } else { 5121 };
                    self.payloads.insert(pointer, Payload::vertex(bytes, component, false, set.joints.len()));
                }
                if rows.weights_changed[at] {
                    let values = set.weights.iter().flatten();
                    let (bytes, component): (Vec<u8>, u64) = match set.storage {
                        WeightStorage::Float => (values.flat_map(|w| w.to_le_bytes()).collect(), 5126),
                        WeightStorage::Unorm8 => (values.map(|w| (w * 255.0).round() as u8).collect(), 5121),
                        WeightStorage::Unorm16 => {
                            let whole = |w: &f32| (f64::from(*w) * 65_535.0).round() as u16;
                            (values.flat_map(|w| whole(w).to_le_bytes()).collect(), 5123)
                        }
                    };
                    let normalized = component != 5126;
                    let payload = Payload::vertex(bytes, component, normalized, set.weights.len());
                    self.payloads.insert(attribute("WEIGHTS", number), payload);
                }
            }
        }
    }

    fn component(&mut self, pointer: &str) -> Option<u64> {
        let accessor = self.document.value(pointer)?;
        let accessor = super::store::whole(&accessor)?;
        self.document
            .value(&format!("/accessors/{accessor}/componentType"))
            .as_ref()
            .and_then(super::store::whole)
    }
}

#[cfg(test)]
mod tests {
    use super::integers;

    /// Largest remainder by hand: 0.4, 0.3, 0.2, 0.1 of 255 are 102, 76.5, 51, 25.5: 102 + 76 + 51 + 25 = 254, and the
    /// first of the two largest remainders takes the one that is missing.
    #[test]
    fn whole_numbers_sum_exactly_and_zeros_stay() {
        let slots = [(0, 0.4), (1, 0.3), (2, 0.2), (3, 0.1)];
        assert_eq!(integers(&slots, 1.0, 255.0), [102.0, 77.0, 51.0, 25.0]);
        assert_eq!(integers(&[(0, 1.0), (1, 0.0), (2, 1.0), (3, 1.0)], 3.0, 255.0), [85.0, 0.0, 85.0, 85.0]);
    }
}
