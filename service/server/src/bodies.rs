//! Bodies that are no JSON, for the description alone: what reads them is `submission.rs`.

use utoipa::ToSchema;

/// Bytes as they are.
#[derive(Debug, ToSchema)]
#[schema(value_type = String, format = Binary)]
pub struct Binary(pub Vec<u8>);

/// A glTF 2.0 document as JSON, its buffers in data URIs; further files come as parts of a form.
#[derive(Debug, ToSchema)]
#[schema(value_type = Object)]
pub struct GltfDocument(pub serde_json::Value);

/// The parts of a rig, at least `plan` or `model`.
#[derive(Debug, ToSchema)]
pub struct RigForm {
    /// A plan.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub plan: Option<Vec<u8>>,
    /// A GLB, a VRM or a glTF document; beside a plan it is the plan's body.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub model: Option<Vec<u8>>,
    /// Files that the model's URIs name, by their file names.
    #[schema(value_type = Option<Vec<Binary>>, nullable = false)]
    pub file: Option<Vec<Binary>>,
    /// A profile, TOML or JSON.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub profile: Option<Vec<u8>>,
    /// A list of waivers, JSON.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub waivers: Option<Vec<u8>>,
    /// The reference skeleton to conform to: a plan or a GLB.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub reference: Option<Vec<u8>>,
}

/// A plan and the body that it is bound to on trial; without a plan, a model with a skeleton of its own.
#[derive(Debug, ToSchema)]
pub struct BindForm {
    /// The plan.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub plan: Option<Vec<u8>>,
    /// The body.
    #[schema(value_type = String, format = Binary)]
    pub model: Vec<u8>,
    /// Files that the model's URIs name, by their file names.
    #[schema(value_type = Option<Vec<Binary>>, nullable = false)]
    pub file: Option<Vec<Binary>>,
    /// A profile, TOML or JSON.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub profile: Option<Vec<u8>>,
    /// A list of waivers, JSON.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub waivers: Option<Vec<u8>>,
}

/// Two rigs: the older one, and the parts of the newer one.
#[derive(Debug, ToSchema)]
pub struct CompareForm {
    /// The older rig: a GLB, a glTF with its content inside, or a plan.
    #[schema(value_type = String, format = Binary)]
    pub baseline: Vec<u8>,
    /// The newer one's plan.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub plan: Option<Vec<u8>>,
    /// The newer one's model.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub model: Option<Vec<u8>>,
    /// Files that the model's URIs name, by their file names.
    #[schema(value_type = Option<Vec<Binary>>, nullable = false)]
    pub file: Option<Vec<Binary>>,
    /// A profile for both, TOML or JSON.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub profile: Option<Vec<u8>>,
}

/// A skeleton, and answers to what was asked about it.
#[derive(Debug, ToSchema)]
pub struct ParentsForm {
    /// A plan.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub plan: Option<Vec<u8>>,
    /// A GLB, a VRM or a glTF document; beside a plan it is the plan's body.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub model: Option<Vec<u8>>,
    /// Files that the model's URIs name, by their file names.
    #[schema(value_type = Option<Vec<Binary>>, nullable = false)]
    pub file: Option<Vec<Binary>>,
    /// A profile, TOML or JSON, whose `conventions` answer questions.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub profile: Option<Vec<u8>>,
    /// Answers by the ids of the questions, JSON.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub answers: Option<Vec<u8>>,
}

/// A reference skeleton: one of the two.
#[derive(Debug, ToSchema)]
pub struct ReferenceForm {
    /// A plan.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub plan: Option<Vec<u8>>,
    /// A GLB.
    #[schema(value_type = Option<String>, format = Binary, nullable = false)]
    pub model: Option<Vec<u8>>,
}
