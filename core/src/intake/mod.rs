//! Bytes in, a [`Rig`] or a typed fault with a place out.
//!
//! Every upload is hostile: nothing here trusts a count, an offset or a name, follows a URI, or allocates more than
//! a stated multiple of the bytes it was given.

mod digest;
mod fault;
mod glb;
mod gltf;
mod json;
mod limits;
pub mod plan;

pub use digest::{file_digest, input_digest};
pub use fault::{Fault, FaultKind, Place};
pub use limits::Limits;

use serde_json::Value;

use crate::model::{Reads, Rig, Unread};

/// One uploaded file.
#[derive(Debug, Clone, Copy)]
pub struct Upload<'a> {
    /// The file name given by the caller (URIs inside a glTF resolve against these, exactly).
    pub name: &'a str,
    /// The bytes.
    pub bytes: &'a [u8],
}

/// What a check run is given.
#[derive(Debug, Clone, Default)]
pub struct Bundle<'a> {
    /// The plan, if there is one.
    pub plan: Option<Upload<'a>>,
    /// The model (GLB, or glTF JSON), if there is one; beside a plan it is the plan's body.
    pub model: Option<Upload<'a>>,
    /// Files that the model's URIs may name.
    pub files: Vec<Upload<'a>>,
}

/// A file in the report.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct FileSummary {
    /// The name as uploaded.
    pub name: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256, lower-case hex.
    pub sha256: String,
}

/// What was read: the rig, and what the report says about its input.
#[derive(Debug, Clone)]
pub struct Intake {
    /// The rig.
    pub rig: Rig,
    /// `"plan"`, `"gltf"` or `"plan+gltf"`.
    pub kind: &'static str,
    /// Every file of the bundle, sorted by name.
    pub files: Vec<FileSummary>,
    /// The digest of the whole input: of the single file, or of the sorted list of names and digests.
    pub sha256: String,
    /// What reading approximated or skipped ("approximations" of the report).
    pub approximations: Vec<(String, u64)>,
    /// The plan document as parsed (for patches, waivers, profile), if there was one.
    pub plan: Option<serde_json::Value>,
    /// The glTF root's `extras.condyle`, if present.
    pub gltf_extras: Option<serde_json::Value>,
    /// Lists of waivers inside the input, each with its JSON Pointer: the plan's, then those in the `extras.condyle`
    /// of the glTF's root, asset and scenes.
    pub waivers: Vec<(String, serde_json::Value)>,
}

/// Reads a bundle.
///
/// # Errors
/// Only when no rig can be built; whatever a rig can hold is for the checks to find.
pub fn read(bundle: &Bundle<'_>, limits: &Limits) -> Result<Intake, Fault> {
    let total: u64 = bundle
        .plan
        .iter()
        .chain(&bundle.model)
        .chain(&bundle.files)
        .map(|upload| upload.bytes.len() as u64)
        .sum();
    if total > limits.total_bytes {
        return Err(Fault {
            kind: FaultKind::Limit { limit: "total_bytes", max: limits.total_bytes, got: total },
            file: String::new(),
            place: Place::Whole,
            message: format!("{total} bytes are more than the limit of {}", limits.total_bytes),
            rule: None,
        });
    }
    let mut plan = bundle.plan.map(|upload| parse(&upload, limits)).transpose()?;
    let mut model = bundle.model.map(|upload| parse(&upload, limits)).transpose()?;
    if plan.is_none() && model.as_ref().is_some_and(Parsed::is_plan) {
        plan = model.take();
    }
    if let Some(parsed) = &plan
        && !parsed.is_plan()
    {
        return Err(
            parsed.fault(FaultKind::UnknownFormat, "this is no plan: its schema is not condyle.plan/1")
        );
    }
    let mut approximations = Vec::new();
    let mut gltf_extras = None;
    let mut gltf_rig = None;
    let mut waivers = Vec::new();
    let listed = |holder: &Value, pointer: String| {
        let list = holder.get("waivers").filter(|list| !list.is_null());
        list.map(|list| (format!("{pointer}/waivers"), list.clone()))
    };
    waivers.extend(plan.as_ref().and_then(|parsed| listed(&parsed.root, String::new())));
    if let Some(parsed) = &model {
        if !parsed.is_gltf() {
            return Err(parsed.fault(FaultKind::UnknownFormat, "this is neither a glTF nor a plan"));
        }
        let reading = gltf::read(parsed.file, &parsed.root, parsed.bin, &bundle.files, limits)?;
        approximations.extend(reading.approximations);
        gltf_extras = reading.extras.cloned();
        waivers.extend(extras(&parsed.root).into_iter().filter_map(|(pointer, own)| listed(own, pointer)));
        gltf_rig = Some(reading.rig);
        if !parsed.duplicates.is_empty() {
            let what = format!("the last of two members of one name was read ({})", parsed.duplicate_names());
            approximations.push((what, parsed.duplicates.len() as u64));
        }
    }
    let (mut rig, kind) = match (&plan, gltf_rig) {
        (Some(parsed), body) => {
            if !parsed.duplicates.is_empty() {
                let text = format!("two members of one object have one name ({})", parsed.duplicate_names());
                return Err(parsed.fault(FaultKind::Invalid, &text));
            }
            let mut rig = plan::read(parsed.file, &parsed.root, limits)?;
            let kind = if body.is_some() { "plan+gltf" } else { "plan" };
            if body.is_none() && parsed.root.get("body").is_some_and(|body| !body.is_null()) {
                rig.unread.push(Unread {
                    reads: Reads::MESH | Reads::WEIGHTS,
                    reason: "the plan names a body that was not uploaded".into(),
                    pointer: "/body".into(),
                });
            }
            rig.body = body.map(|mut body| {
                body.whole = body.nodes.iter().all(|node| node.mesh.is_none() || node.skin.is_none());
                Box::new(body)
            });
            (rig, kind)
        }
        (None, Some(rig)) => (rig, "gltf"),
        (None, None) => {
            return Err(Fault {
                kind: FaultKind::UnknownFormat,
                file: String::new(),
                place: Place::Whole,
                message: "there is neither a plan nor a model".into(),
                rule: None,
            });
        }
    };
    rig.bytes = total;
    let (files, sha256) = digest::digest(bundle);
    let plan = plan.map(|parsed| parsed.root);
    Ok(Intake { rig, kind, files, sha256, approximations, plan, gltf_extras, waivers })
}

/// The places of a glTF that can hold waivers, with their pointers.
fn extras(root: &Value) -> Vec<(String, &Value)> {
    let own = |holder: &Value| holder.get("extras").is_some_and(|extras| extras.get("condyle").is_some());
    let mut places = Vec::new();
    let scenes = root.get("scenes").and_then(Value::as_array);
    let scenes = scenes.into_iter().flatten().enumerate();
    let holders = [(String::new(), root)]
        .into_iter()
        .chain(root.get("asset").map(|asset| ("/asset".to_owned(), asset)))
        .chain(scenes.map(|(index, scene)| (format!("/scenes/{index}"), scene)));
    for (pointer, holder) in holders.filter(|(_, holder)| own(holder)) {
        places.push((format!("{pointer}/extras/condyle"), &holder["extras"]["condyle"]));
    }
    places
}

/// A file whose JSON has been read.
struct Parsed<'a> {
    file: &'a str,
    root: Value,
    glb: bool,
    bin: Option<&'a [u8]>,
    duplicates: Vec<String>,
}

impl Parsed<'_> {
    fn is_plan(&self) -> bool {
        self.root
            .get("schema")
            .and_then(Value::as_str)
            .is_some_and(|schema| schema.starts_with("condyle.plan/"))
    }

    fn is_gltf(&self) -> bool {
        self.glb || self.root.get("asset").is_some_and(Value::is_object) || self.root.get("nodes").is_some()
    }

    fn duplicate_names(&self) -> String {
        let mut names: Vec<&str> = self.duplicates.iter().map(String::as_str).collect();
        names.sort_unstable();
        names.dedup();
        names.truncate(5);
        names.join(", ")
    }

    fn fault(&self, kind: FaultKind, message: &str) -> Fault {
        Fault {
            kind,
            file: self.file.to_owned(),
            place: Place::Pointer(String::new()),
            message: message.into(),
            rule: None,
        }
    }
}

fn parse<'a>(upload: &Upload<'a>, limits: &Limits) -> Result<Parsed<'a>, Fault> {
    if upload.bytes.starts_with(glb::MAGIC) {
        let container = glb::split(upload.name, upload.bytes)?;
        let document = json::read(upload.name, container.json, limits).map_err(|mut fault| {
            if let Place::Byte(at) = &mut fault.place {
                *at += container.json_offset;
            }
            fault
        })?;
        if !document.root.is_object() {
            return Err(Fault {
                kind: FaultKind::Invalid,
                file: upload.name.to_owned(),
                place: Place::Pointer(String::new()),
                message: "the JSON chunk is not an object".into(),
                rule: Some("glTF 2.0 §4.4.3.2"),
            });
        }
        let (root, duplicates) = (document.root, document.duplicates);
        return Ok(Parsed { file: upload.name, root, glb: true, bin: container.bin, duplicates });
    }
    let text = upload.bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(upload.bytes);
    let first = text.iter().find(|b| !b.is_ascii_whitespace());
    if first != Some(&b'{') {
        return Err(Fault {
            kind: FaultKind::UnknownFormat,
            file: upload.name.to_owned(),
            place: Place::Byte(0),
            message: "this is neither a GLB, nor a glTF, nor a plan".into(),
            rule: None,
        });
    }
    let document = json::read(upload.name, upload.bytes, limits)?;
    Ok(Parsed {
        file: upload.name,
        root: document.root,
        glb: false,
        bin: None,
        duplicates: document.duplicates,
    })
}
