//! One instance of a fault, as a check states it: typed, without id or severity.

use glam::{DQuat, DVec3};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::model::{ClipId, JointId, MeshId, NodeId, PartId, SkinId};

/// What a finding is about.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subject {
    /// The rig as a whole.
    Rig,
    /// A joint.
    Joint(JointId),
    /// The line from a joint's origin to its tip.
    Segment(JointId),
    /// A part of a plan.
    Part(PartId),
    /// Joints in order, each the parent of the next.
    Chain(Vec<JointId>),
    /// Two joints.
    Pair(JointId, JointId),
    /// A mesh.
    Mesh(MeshId),
    /// A primitive of a mesh.
    Primitive(MeshId, u32),
    /// Vertices of a primitive; the list is evidence (the first ones), not identity.
    Vertices(MeshId, u32),
    /// A skin.
    Skin(SkinId),
    /// A clip.
    Clip(ClipId),
    /// A channel of a clip.
    Channel(ClipId, u32),
    /// A node that is no joint.
    Node(NodeId),
    /// A piece of a plan, by its number.
    Piece(u32),
    /// A foot of a plan, by its number.
    Foot(u32),
    /// A group of a plan, by its number.
    Group(u32),
    /// A waiver, by its number.
    Waiver(u32),
}

/// A thing that a finding also concerns.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Related {
    /// The thing.
    pub subject: Subject,
    /// Its relation to the subject: `parent`, `twin`, `member` …
    pub relation: &'static str,
    /// Part of the fault's identity (and so of its fingerprint).
    pub identity: bool,
}

/// The unit of a measured value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Unit {
    /// Degrees.
    #[serde(rename = "deg")]
    Degree,
    /// Millimetres.
    #[serde(rename = "mm")]
    Millimetre,
    /// Fraction of S, the largest extent at bind.
    #[serde(rename = "S")]
    Size,
    /// A plain number without unit.
    #[serde(rename = "1")]
    One,
    /// A number of things.
    #[serde(rename = "count")]
    Count,
    /// Seconds.
    #[serde(rename = "s")]
    Second,
    /// Days.
    #[serde(rename = "day")]
    Day,
    /// Bytes.
    #[serde(rename = "byte")]
    Byte,
    /// Metres.
    #[serde(rename = "m")]
    Metre,
}

/// A measured value against its limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Evidence {
    /// What was measured.
    pub quantity: String,
    /// The value; `null` when it is not a finite number.
    pub measured: Option<f64>,
    /// The bound it broke, if the rule has one.
    pub limit: Option<f64>,
    /// The unit of both.
    pub unit: Unit,
}

/// How safe a fix is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "lowercase")]
pub enum Applicability {
    /// Can be applied without a look.
    Safe,
    /// Wants a look first.
    Review,
}

/// One RFC 6902 operation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PatchOp {
    /// `add`, `remove`, `replace` or `test`.
    pub op: String,
    /// JSON Pointer into the plan.
    pub path: String,
    /// The value; absent for `remove`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Value>,
}

impl PatchOp {
    /// Sets a member, whether it exists or not (RFC 6902 §4.1: `add` replaces an existing member).
    pub fn set(path: impl Into<String>, value: Value) -> Self {
        Self { op: "add".into(), path: path.into(), value: Some(value) }
    }

    /// Removes a member that exists.
    pub fn remove(path: impl Into<String>) -> Self {
        Self { op: "remove".into(), path: path.into(), value: None }
    }
}

/// A machine-applicable remedy.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Fix {
    /// For plans: an RFC 6902 JSON Patch.
    Patch {
        /// How safe it is.
        applicability: Applicability,
        /// What it does, in words.
        summary: String,
        /// The operations.
        patch: Vec<PatchOp>,
    },
    /// For glTF: a named repair with its arguments.
    Repair {
        /// How safe it is.
        applicability: Applicability,
        /// The repair.
        name: String,
        /// Its arguments; indices are glTF's.
        arguments: Value,
        /// What it does, in words.
        summary: String,
    },
}

/// The measured fact that a check hands to the sink.
#[derive(Debug, Clone)]
pub struct Fact {
    pub(crate) subject: Subject,
    pub(crate) related: Vec<Related>,
    pub(crate) evidence: Vec<Evidence>,
    pub(crate) message: String,
    pub(crate) fix: Option<Fix>,
    pub(crate) confidence: f64,
}

impl Fact {
    /// A fact about `subject`. The message is one sentence without final stop that names the subject and the number.
    pub fn new(subject: Subject, message: impl Into<String>) -> Self {
        Self {
            subject,
            related: Vec::new(),
            evidence: Vec::new(),
            message: message.into(),
            fix: None,
            confidence: 1.0,
        }
    }

    /// Adds something the finding also concerns, for the reader.
    #[must_use]
    pub fn related(mut self, subject: Subject, relation: &'static str) -> Self {
        self.related.push(Related { subject, relation, identity: false });
        self
    }

    /// Adds something that makes this fault the fault it is (hashed into the fingerprint).
    #[must_use]
    pub fn identified_by(mut self, subject: Subject, relation: &'static str) -> Self {
        self.related.push(Related { subject, relation, identity: true });
        self
    }

    /// Adds a measured value.
    #[must_use]
    pub fn evidence(mut self, quantity: &str, measured: f64, limit: Option<f64>, unit: Unit) -> Self {
        let finite = measured.is_finite().then(|| round(measured));
        self.evidence.push(Evidence {
            quantity: quantity.into(),
            measured: finite,
            limit: limit.map(round),
            unit,
        });
        self
    }

    /// Adds a length in metres, told in millimetres and as a fraction of `size` (S, metres); `limit` is a fraction of S.
    #[must_use]
    pub fn length(self, quantity: &str, metres: f64, limit: Option<f64>, size: f64) -> Self {
        self.evidence(quantity, metres * 1e3, limit.map(|l| l * size * 1e3), Unit::Millimetre).evidence(
            quantity,
            metres / size,
            limit,
            Unit::Size,
        )
    }

    /// Adds the remedy.
    #[must_use]
    pub fn fix(mut self, fix: impl Into<Option<Fix>>) -> Self {
        self.fix = fix.into();
        self
    }

    /// States how sure the check is, 0 to 1.
    #[must_use]
    pub fn confidence(mut self, confidence: f64) -> Self {
        self.confidence = confidence.clamp(0.0, 1.0);
        self
    }
}

/// Nine significant digits: what f32 input supports, and the same text on every platform.
pub fn round(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let digits = 8 - value.abs().log10().floor() as i32;
    if digits > 300 {
        return 0.0;
    }
    let scale = 10f64.powi(digits);
    (value * scale).round() / scale
}

/// A vector as JSON numbers, nine digits.
pub fn vector_json(v: DVec3) -> Value {
    json!([round(v.x), round(v.y), round(v.z)])
}

/// A quaternion as JSON numbers in XYZW order, nine digits, w not negative.
pub fn quaternion_json(q: DQuat) -> Value {
    let q = if q.w < 0.0 { -q } else { q };
    json!([round(q.x), round(q.y), round(q.z), round(q.w)])
}
