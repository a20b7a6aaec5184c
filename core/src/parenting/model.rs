//! The fitted model: sums of small decision trees, kept as data.
//!
//! The file is one line of JSON (version, digest of the training set, temperatures) and then the trees' arrays, little
//! endian. The program that makes it is the example `fit-parents`.

use std::sync::OnceLock;

use serde::{Deserialize, Serialize};

/// The version of the file's form and of the features' meaning.
pub const VERSION: &str = "condyle.parents-model/2";

/// A split or a leaf of one tree. Children are numbers of nodes (0 or more), or leaves (the bitwise complement).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Node {
    /// Which feature is asked.
    pub feature: u8,
    /// Whether a missing value goes to the left.
    pub missing_left: bool,
    /// Values up to this go to the left.
    pub threshold: f32,
    /// The left child.
    pub left: i8,
    /// The right child.
    pub right: i8,
}

/// A tree.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Tree {
    /// Its splits, the first one on top; none at all is a tree of one leaf.
    pub nodes: Vec<Node>,
    /// Its leaves.
    pub leaves: Vec<f32>,
}

impl Tree {
    /// The leaf a row ends in, with the path that led there shown to `seen`.
    pub fn walk(&self, row: &[f32], mut seen: impl FnMut(u8)) -> usize {
        let mut at = 0_i8;
        // A tree has fewer than 128 nodes, so this many steps always reach a leaf of a sound one.
        for _ in 0..128 {
            let Some(node) = self.nodes.get(at as usize) else { return 0 };
            seen(node.feature);
            let value = row.get(usize::from(node.feature)).copied().unwrap_or(f32::NAN);
            let left = if value.is_nan() { node.missing_left } else { value <= node.threshold };
            at = if left { node.left } else { node.right };
            if at < 0 {
                return usize::from(!at as u8);
            }
        }
        0
    }

    /// What it adds to a row's score.
    pub fn value(&self, row: &[f32]) -> f64 {
        let leaf = if self.nodes.is_empty() { 0 } else { self.walk(row, |_| {}) };
        self.leaves.get(leaf).copied().map_or(0.0, f64::from)
    }
}

/// A sum of trees.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ensemble {
    /// The score of an edge before any tree.
    pub edge: f64,
    /// The score of "is a root" before any tree.
    pub root: f64,
    /// The trees.
    pub trees: Vec<Tree>,
}

impl Ensemble {
    /// The score of a row.
    pub fn score(&self, row: &[f32], is_root: bool) -> f64 {
        let start = if is_root { self.root } else { self.edge };
        start + self.trees.iter().map(|tree| tree.value(row)).sum::<f64>()
    }
}

/// What the file says about itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// [`VERSION`].
    pub version: String,
    /// SHA-256 over the training files, lower-case hex.
    pub trained_on: String,
    /// How many skeletons those are.
    pub skeletons: usize,
    /// The experts, in the order of the arrays.
    pub experts: Vec<ExpertHeader>,
}

/// One expert of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExpertHeader {
    /// `named`, `bare` or `plan`.
    pub name: String,
    /// Scores are divided by it before they become probabilities.
    pub temperature: f64,
    /// The first stage.
    pub first: StageHeader,
    /// The second stage, which also looks at the first one's answer.
    pub second: Option<StageHeader>,
}

/// One sum of trees.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StageHeader {
    /// See [`Ensemble`].
    pub edge: f64,
    /// See [`Ensemble`].
    pub root: f64,
    /// How many trees.
    pub trees: usize,
}

/// An expert: the trees for one kind of input.
#[derive(Debug, Clone, PartialEq)]
pub struct Expert {
    /// Its name.
    pub name: String,
    /// See [`ExpertHeader`].
    pub temperature: f64,
    /// The first stage.
    pub first: Ensemble,
    /// The second stage.
    pub second: Option<Ensemble>,
}

/// The whole model.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// SHA-256 over the training files.
    pub trained_on: String,
    /// How many skeletons those were.
    pub skeletons: usize,
    /// The experts.
    pub experts: Vec<Expert>,
}

impl Model {
    /// The model that this build carries.
    pub fn built_in() -> &'static Self {
        static MODEL: OnceLock<Model> = OnceLock::new();
        MODEL.get_or_init(|| {
            Self::read(include_bytes!("model.bin")).unwrap_or(Self {
                trained_on: String::new(),
                skeletons: 0,
                experts: Vec::new(),
            })
        })
    }

    /// Reads the file's bytes.
    pub fn read(bytes: &[u8]) -> Result<Self, String> {
        let end = bytes.iter().position(|b| *b == b'\n').ok_or("the header has no end")?;
        let header: Header = serde_json::from_slice(&bytes[..end]).map_err(|error| error.to_string())?;
        if header.version != VERSION {
            return Err(format!("version {} is not {VERSION}", header.version));
        }
        let mut reader = Reader { bytes: &bytes[end + 1..] };
        let mut experts = Vec::new();
        for expert in header.experts {
            let mut stage = |stage: StageHeader| -> Result<Ensemble, String> {
                let trees = (0..stage.trees).map(|_| reader.tree()).collect::<Result<_, _>>()?;
                Ok(Ensemble { edge: stage.edge, root: stage.root, trees })
            };
            let first = stage(expert.first)?;
            let second = expert.second.map(stage).transpose()?;
            experts.push(Expert { name: expert.name, temperature: expert.temperature, first, second });
        }
        Ok(Self { trained_on: header.trained_on, skeletons: header.skeletons, experts })
    }

    /// The file's bytes.
    pub fn write(&self) -> Vec<u8> {
        let stage = |ensemble: &Ensemble| StageHeader {
            edge: ensemble.edge,
            root: ensemble.root,
            trees: ensemble.trees.len(),
        };
        let header = Header {
            version: VERSION.to_owned(),
            trained_on: self.trained_on.clone(),
            skeletons: self.skeletons,
            experts: self
                .experts
                .iter()
                .map(|expert| ExpertHeader {
                    name: expert.name.clone(),
                    temperature: expert.temperature,
                    first: stage(&expert.first),
                    second: expert.second.as_ref().map(stage),
                })
                .collect(),
        };
        let mut out = serde_json::to_vec(&header).unwrap_or_default();
        out.push(b'\n');
        for expert in &self.experts {
            for ensemble in std::iter::once(&expert.first).chain(&expert.second) {
                for tree in &ensemble.trees {
                    out.push(tree.nodes.len() as u8);
                    for node in &tree.nodes {
                        out.push(node.feature);
                        out.push(u8::from(node.missing_left));
                        out.extend(node.threshold.to_le_bytes());
                        out.extend([node.left as u8, node.right as u8]);
                    }
                    for leaf in &tree.leaves {
                        out.extend(leaf.to_le_bytes());
                    }
                }
            }
        }
        out
    }

    /// The expert of this name, or the first.
    pub fn expert(&self, name: &str) -> Option<&Expert> {
        self.experts.iter().find(|expert| expert.name == name).or_else(|| self.experts.first())
    }
}

struct Reader<'a> {
    bytes: &'a [u8],
}

impl Reader<'_> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], String> {
        let (head, rest) = self.bytes.split_first_chunk::<N>().ok_or("the file ends early")?;
        self.bytes = rest;
        Ok(*head)
    }

    fn tree(&mut self) -> Result<Tree, String> {
        let [count] = self.take()?;
        let mut tree = Tree::default();
        for _ in 0..count {
            let [feature, missing, a, b, c, d, left, right] = self.take()?;
            let threshold = f32::from_le_bytes([a, b, c, d]);
            let (left, right) = (left as i8, right as i8);
            tree.nodes.push(Node { feature, missing_left: missing != 0, threshold, left, right });
        }
        for _ in 0..=count {
            tree.leaves.push(f32::from_le_bytes(self.take()?));
        }
        Ok(tree)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_back() {
        let node = Node { feature: 3, missing_left: true, threshold: 0.5, left: !0, right: !1 };
        let tree = Tree { nodes: vec![node], leaves: vec![-1.0, 2.0] };
        let first = Ensemble { edge: -2.0, root: -3.0, trees: vec![tree] };
        let expert =
            Expert { name: "named".into(), temperature: 1.25, first: first.clone(), second: Some(first) };
        let model = Model { trained_on: "ab".into(), skeletons: 2, experts: vec![expert] };
        assert_eq!(Model::read(&model.write()), Ok(model.clone()));
        let score = |x: f32| model.experts[0].first.score(&[0.0, 0.0, 0.0, x], false);
        assert_eq!([score(0.5), score(0.6), score(f32::NAN)], [-3.0, 0.0, -3.0]);
        let bytes = model.write();
        for cut in 0..bytes.len() {
            assert!(Model::read(&bytes[..cut]).is_err(), "cut at {cut}");
        }
    }

    #[test]
    fn the_built_in_model_is_there() {
        assert!(Model::built_in().experts.iter().any(|expert| expert.name == "named"));
    }
}
