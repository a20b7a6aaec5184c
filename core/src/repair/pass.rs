//! One pass: the fixes of one report, together, on one document.

use super::container::Container;
use super::document::Document;
use super::gltf::{Session, rank};
use super::patch::{self, Refusal};
use super::source::{Form, Source};
use super::touched::{Clash, Touched};
use crate::finding::Fix;
use crate::intake::{Bundle, Intake, Limits};

/// What became of one fix.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// It changed the document.
    Applied,
    /// There was nothing left for it to change.
    Unchanged,
    /// It cannot be applied, and why.
    Refused(String),
    /// Another fix of this pass has changed what it wants to change.
    Clash(Clash),
}

/// Applies fixes; answers the new bytes, if there are any, and what became of each.
///
/// # Errors
/// When the document cannot be edited at all, though it was read: a bug of ours.
pub(super) fn apply(
    bytes: &[u8],
    source: &Source<'_>,
    intake: &Intake,
    fixes: &[&Fix],
    bundle: &Bundle<'_>,
    limits: &Limits,
) -> Result<(Option<Vec<u8>>, Vec<Outcome>), String> {
    if fixes.is_empty() {
        return Ok((None, Vec::new()));
    }
    match source.form {
        Form::Plan => plan(bytes, fixes),
        Form::Gltf | Form::Glb => {
            let container = Container::split(bytes).ok_or("the container cannot be split")?;
            let session =
                Session::new(&container, intake, bundle, limits).ok_or("the JSON cannot be edited")?;
            gltf(session, fixes)
        }
    }
}

fn plan(bytes: &[u8], fixes: &[&Fix]) -> Result<(Option<Vec<u8>>, Vec<Outcome>), String> {
    let mut document = Document::new(bytes).ok_or("the JSON cannot be edited")?;
    let mut touched = Touched::default();
    let mut outcomes = vec![Outcome::Unchanged; fixes.len()];
    for at in in_order(&mut document, fixes) {
        outcomes[at] = match fixes[at] {
            Fix::Patch { patch, .. } => patched(&mut document, patch, &mut touched, at),
            Fix::Repair { .. } => {
                Outcome::Refused("the body of a plan is repaired by itself, without the plan".into())
            }
        };
    }
    Ok((document.changed().then(|| document.render()), outcomes))
}

fn patched(
    document: &mut Document<'_>,
    patch: &[crate::finding::PatchOp],
    touched: &mut Touched,
    by: usize,
) -> Outcome {
    document.begin();
    match patch::apply(document, patch, touched, by) {
        Ok(()) if document.changed_since() => Outcome::Applied,
        Ok(()) => Outcome::Unchanged,
        Err(Refusal::Clash(clash)) => Outcome::Clash(clash),
        Err(Refusal::Misfit(reason)) => Outcome::Refused(reason),
    }
}

/// The order of the report, except that patches which move array elements come last, from the back.
fn in_order(document: &mut Document<'_>, fixes: &[&Fix]) -> Vec<usize> {
    let mut order: Vec<(Option<usize>, usize)> = fixes
        .iter()
        .enumerate()
        .map(|(at, fix)| match fix {
            Fix::Patch { patch, .. } => (patch::moves(document, patch), at),
            Fix::Repair { .. } => (None, at),
        })
        .collect();
    order.sort_by_key(|(moves, at)| (moves.map(|index| (1, std::cmp::Reverse(index))), *at));
    order.into_iter().map(|(_, at)| at).collect()
}

fn gltf(mut session: Session<'_>, fixes: &[&Fix]) -> Result<(Option<Vec<u8>>, Vec<Outcome>), String> {
    let mut outcomes = vec![Outcome::Unchanged; fixes.len()];
    let mut order: Vec<(u32, usize)> = fixes
        .iter()
        .enumerate()
        .filter_map(|(at, fix)| match fix {
            Fix::Repair { name, .. } => Some((rank(name), at)),
            Fix::Patch { .. } => None,
        })
        .collect();
    order.sort_unstable();
    for (_, at) in order {
        if let Fix::Repair { name, arguments, .. } = fixes[at] {
            outcomes[at] = session.apply(name, arguments, at);
        }
    }
    session.settle();
    let mut touched = std::mem::take(&mut session.touched);
    for at in in_order(&mut session.document, fixes) {
        if let Fix::Patch { patch, .. } = fixes[at] {
            outcomes[at] = patched(&mut session.document, patch, &mut touched, at);
        }
    }
    Ok((session.finish()?, outcomes))
}
