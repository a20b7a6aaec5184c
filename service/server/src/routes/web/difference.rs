//! `GET /assets/{production}/{asset}/difference`: what changed between two revisions.

use std::fmt::Write as _;

use axum::extract::State;
use condyle_core::difference::{Brief, Cause, Changed, Difference, Playable, SkeletonChanges};
use condyle_core::report::Severity;

use super::page::{Page, escape, mark, page};
use crate::access::{May, Read};
use crate::app::difference::{Pair, of_revisions};
use crate::app::submit::sound;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, AppQuery};
use crate::state::App;

/// Lines of one list; the answer for programs has them all.
const MOST: usize = 200;

/// Which two revisions.
#[derive(Debug, serde::Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Labels {
    /// The label before; unless said, the production's baseline, else the revision before `to`.
    from: Option<String>,
    /// The label now; unless said, the latest revision.
    to: Option<String>,
}

/// What changed between two revisions, for people.
#[utoipa::path(get, path = "/assets/{production}/{asset}/difference", tag = "web", operation_id = "showDifference", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"), Labels),
    responses(
        (status = 200, description = "HTML", body = String, content_type = "text/html"),
        (status = 400, description = "A name or the query is malformed", body = condyle_api::Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is no such asset or revision, or none before it", body = condyle_api::Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = condyle_api::Problem, content_type = "application/problem+json"),
    ))]
pub async fn difference(
    State(app): State<App>,
    _: May<Read>,
    AppPath((production, asset)): AppPath<(String, String)>,
    AppQuery(labels): AppQuery<Labels>,
) -> Result<Page, ApiError> {
    sound("production", &production)?;
    sound("asset", &asset)?;
    for label in [&labels.from, &labels.to].into_iter().flatten() {
        sound("label", label)?;
    }
    let pair =
        Pair { production: production.clone(), asset: asset.clone(), from: labels.from, to: labels.to };
    let found = of_revisions(&app, pair).await?;
    let (show, name) = (escape(&production), escape(&asset));
    let side = |label: &str| {
        let label = escape(label);
        format!("<a href=\"/assets/{show}/{name}/{label}\">{label}</a>")
    };
    let mut body = format!(
        "<h1><a href=\"/?production={show}\">{show}</a> / {name}: {} {} → {} {}</h1>",
        side(&found.from.name),
        mark(found.from.verdict),
        side(&found.to.name),
        mark(found.to.verdict)
    );
    write_rules(&mut body, &found);
    write_list(&mut body, "New", &found.findings.new);
    write_list(&mut body, "Fixed", &found.findings.fixed);
    let _ = write!(body, "<p>In both: {}.</p>", found.findings.unchanged.len());
    if let Some(skeleton) = &found.skeleton {
        write_skeleton(&mut body, skeleton);
    }
    write_skins(&mut body, &found);
    if !found.clips.is_empty() {
        body.push_str("<h2>Clips of before on the skeleton of now</h2><ul>");
        for clip in found.clips.iter().take(MOST) {
            let word = match clip.plays {
                Playable::Same => "plays as before",
                Playable::Otherwise => "plays, and looks otherwise",
                Playable::Partly => "plays in part",
                Playable::No => "does not play",
            };
            let names: Vec<String> =
                clip.missing.iter().chain(&clip.changed).take(5).map(|name| escape(name)).collect();
            let _ =
                write!(body, "<li>{} {word} <small>{}</small></li>", escape(&clip.clip), names.join(", "));
        }
        body.push_str("</ul>");
    }
    Ok(page(&format!("{production}/{asset}: changes"), &body))
}

fn write_skins(body: &mut String, found: &Difference) {
    let mut lines = Vec::new();
    if let Some(skins) = &found.skins {
        lines.extend(skins.added.iter().map(|name| format!("skin {} added", escape(name))));
        lines.extend(skins.removed.iter().map(|name| format!("skin {} removed", escape(name))));
        lines.extend(skins.changed.iter().map(|one| {
            let (more, less) = (one.added_joints, one.removed_joints);
            let rebound = one.rebound_joints;
            format!("skin {}: {more} joints more, {less} fewer, {rebound} bound otherwise", escape(&one.skin))
        }));
    }
    lines.extend(found.weights.iter().map(|one| match one.changed {
        Some(changed) => {
            format!("weights of {}: {changed} of {} vertices", escape(&one.mesh), one.vertices_now)
        }
        None if one.vertices_before == one.vertices_now => {
            format!(
                "mesh {}: {} vertices, not the same points in the same order",
                escape(&one.mesh),
                one.vertices_now
            )
        }
        None => {
            format!("mesh {}: {} → {} vertices", escape(&one.mesh), one.vertices_before, one.vertices_now)
        }
    }));
    if lines.is_empty() {
        return;
    }
    body.push_str("<h2>Skins and weights</h2><ul>");
    for line in lines.iter().take(MOST) {
        let _ = write!(body, "<li>{line}</li>");
    }
    body.push_str("</ul>");
}

fn write_rules(body: &mut String, found: &Difference) {
    if found.same_input {
        body.push_str("<p>Both hold the same bytes.</p>");
    }
    if found.rules.any() {
        let _ = write!(
            body,
            "<p>They were judged by other rules: profile {} → {}, catalogue {} → {}, on {} → {}{}.</p>",
            escape(&found.from.profile),
            escape(&found.to.profile),
            escape(&found.from.catalogue),
            escape(&found.to.catalogue),
            escape(&found.from.as_of),
            escape(&found.to.as_of),
            if found.rules.selection { ", and other checks were asked for" } else { "" }
        );
    }
}

fn write_list(body: &mut String, title: &str, list: &[Changed]) {
    let _ = write!(body, "<h2>{title}: {}</h2>", list.len());
    if list.is_empty() {
        return;
    }
    body.push_str("<ul>");
    for one in list.iter().take(MOST) {
        let cause = match one.cause {
            Cause::Asset => String::new(),
            cause => format!(" <small>({})</small>", cause.words()),
        };
        let _ = write!(body, "<li>{}{cause}</li>", line(&one.finding));
    }
    body.push_str("</ul>");
    write_rest(body, list.len());
}

fn write_rest(body: &mut String, count: usize) {
    if count > MOST {
        let _ = write!(body, "<p>… and {} more.</p>", count - MOST);
    }
}

fn line(finding: &Brief) -> String {
    let shape = match finding.severity {
        Severity::Error => "■",
        Severity::Warning => "▲",
        Severity::Note => "○",
    };
    let (word, check) = (finding.severity.word(), escape(&finding.check));
    let waived = if finding.waived { ", waived" } else { "" };
    format!(
        "<span class=\"{word}\">{shape} {word}</span>{waived} {} <a class=\"id\" href=\"/checks/{check}\">{check}</a>",
        escape(&finding.message)
    )
}

fn write_skeleton(body: &mut String, skeleton: &SkeletonChanges) {
    let mut lines = Vec::new();
    lines.extend(skeleton.added.iter().map(|name| format!("added {}", escape(name))));
    lines.extend(skeleton.removed.iter().map(|name| format!("removed {}", escape(name))));
    let renamed = skeleton.renamed.iter();
    lines.extend(renamed.map(|one| format!("renamed {} → {}", escape(&one.before), escape(&one.now))));
    for one in &skeleton.reparented {
        let word = |name: &Option<String>| name.as_deref().map_or("nothing".to_owned(), escape);
        lines.push(format!(
            "{} hangs from {}, no longer from {}",
            escape(&one.joint),
            word(&one.now),
            word(&one.before)
        ));
    }
    for one in &skeleton.moved {
        let own = if one.own_mm <= skeleton.tolerance_mm { ", carried along" } else { "" };
        lines.push(format!(
            "{} moved by {:.2} mm ({:.2} % of S){own}",
            escape(&one.joint),
            one.distance_mm,
            one.share * 100.0
        ));
    }
    for one in &skeleton.turned {
        let by = one.degrees.map_or("to its mirror image".to_owned(), |degrees| format!("by {degrees:.2}°"));
        lines.push(format!("{} turned {by}", escape(&one.joint)));
    }
    let _ = write!(body, "<h2>Skeleton</h2><p>{} joints are as they were.</p>", skeleton.same);
    if lines.is_empty() {
        return;
    }
    body.push_str("<ul>");
    for one in lines.iter().take(MOST) {
        let _ = write!(body, "<li>{one}</li>");
    }
    body.push_str("</ul>");
    write_rest(body, lines.len());
}
