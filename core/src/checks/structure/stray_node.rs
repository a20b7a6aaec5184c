//! Nodes where only joints belong.

use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{NodeId, Reads, Rig};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/stray-node",
    summary: "a node that is no joint stands between joints, or hangs below one and should not",
    why: "what reads only the joints loses the node's transform, and a skinned mesh or a camera below a joint is rarely meant",
    rule: Rule { title: "glTF 2.0", section: "3.7.3.2" },
    page: include_str!("stray_node.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "between",
            case: "between",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
        Band {
            name: "camera",
            case: "camera",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
        Band {
            name: "skinned-mesh",
            case: "skinned-mesh",
            on: On::GLTF,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Skins],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let rig = ctx.rig;
    let (below, above) = relations(rig);
    let nodes = |wanted: &dyn Fn(usize) -> bool| -> Vec<NodeId> {
        (0..rig.nodes.len()).filter(|index| below[*index] && wanted(*index)).map(NodeId::new).collect()
    };
    let between = nodes(&|index| rig.nodes[index].joint.is_none() && above[index]);
    let cameras = nodes(&|index| rig.nodes[index].camera_or_light);
    let skinned = nodes(&|index| rig.nodes[index].mesh.is_some() && rig.nodes[index].skin.is_some());
    if let Some(hit) = sink.breach("between") {
        sink_one(
            ctx,
            sink,
            hit,
            &between,
            "stands between two joints and is none",
            "stand between joints and are none",
        );
    }
    if let Some(hit) = sink.breach("camera") {
        let (one, many) = ("is a camera or light below a joint", "are cameras or lights below joints");
        sink_one(ctx, sink, hit, &cameras, one, many);
    }
    if let Some(hit) = sink.breach("skinned-mesh") {
        let (one, many) =
            ("draws a skinned mesh and hangs below a joint", "draw skinned meshes and hang below joints");
        sink_one(ctx, sink, hit, &skinned, one, many);
    }
}

/// Per node: whether a joint is among its ancestors, and whether one is below it.
fn relations(rig: &Rig) -> (Vec<bool>, Vec<bool>) {
    let count = rig.nodes.len();
    let (mut below, mut above) = (vec![false; count], vec![false; count]);
    let mut order: Vec<NodeId> =
        (0..count).map(NodeId::new).filter(|node| rig.nodes[node.index()].parent.is_none()).collect();
    let mut at = 0;
    while at < order.len() {
        let node = &rig.nodes[order[at].index()];
        for child in &node.children {
            below[child.index()] = below[order[at].index()] || node.joint.is_some();
            order.push(*child);
        }
        at += 1;
    }
    for id in order.iter().rev() {
        if let Some(up) = rig.nodes[id.index()].parent {
            above[up.index()] |= above[id.index()] || rig.nodes[id.index()].joint.is_some();
        }
    }
    (below, above)
}

/// One finding for all nodes of a kind.
fn sink_one(
    ctx: &Context<'_>,
    sink: &mut Sink<'_>,
    hit: crate::check::Hit,
    nodes: &[NodeId],
    one: &str,
    many: &str,
) {
    if nodes.is_empty() {
        return;
    }
    let names: Vec<String> = nodes.iter().map(|node| ctx.labels.name(&Subject::Node(*node))).collect();
    let subject = if let [only] = nodes { Subject::Node(*only) } else { Subject::Rig };
    let text = message(&list(names.iter().map(String::as_str)), nodes.len(), one, many);
    let mut fact = Fact::new(subject, text).evidence("nodes", nodes.len() as f64, Some(0.0), Unit::Count);
    for node in nodes.iter().take(20) {
        fact = fact.identified_by(Subject::Node(*node), "member");
    }
    sink.report(hit, fact.fix(to_root(ctx.rig, nodes)));
}

/// A skinned mesh may hang anywhere: its own node's place plays no part in where it is drawn.
fn to_root(rig: &Rig, nodes: &[NodeId]) -> Option<Fix> {
    // What hangs from such a node would move with it.
    let free = |node: &NodeId| {
        let this = &rig.nodes[node.index()];
        this.mesh.is_some()
            && this.skin.is_some()
            && this.joint.is_none()
            && this.children.is_empty()
            && !this.camera_or_light
    };
    let summary = if nodes.len() == 1 {
        "hang the skinned mesh from the scene"
    } else {
        "hang the skinned meshes from the scene"
    };
    let list: Vec<u32> = nodes.iter().map(|node| node.0).collect();
    nodes.iter().all(free).then(|| Fix::Repair {
        applicability: Applicability::Safe,
        name: "move-to-root".into(),
        arguments: serde_json::json!({"nodes": list}),
        summary: summary.into(),
    })
}

fn message(names: &str, number: usize, one: &str, many: &str) -> String {
    if number == 1 { format!("{names} {one}") } else { format!("{number} nodes {many} ({names})") }
}
