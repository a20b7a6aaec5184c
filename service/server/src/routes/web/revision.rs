//! `GET /assets/{production}/{asset}/{label}`: the findings of a revision.

use std::fmt::Write as _;

use axum::extract::State;
use axum::response::Html;
use condyle_core::finding::Fix;
use condyle_core::report::{Finding, NotRunStatus, Report};

use super::page::{escape, mark, page};
use crate::app::submit::Address;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// One revision and its findings.
pub async fn revision(
    State(app): State<App>,
    AppPath((production, asset, label)): AppPath<(String, String, String)>,
) -> Result<Html<String>, ApiError> {
    let at = Address::checked(production, asset, label)?;
    let found = app.store.revision(&at.production, &at.asset, &at.label).await?;
    let found = found.ok_or_else(|| ApiError::NotFound("such revision".into()))?;
    let report: Report =
        serde_json::from_str(&found.report).map_err(|error| ApiError::Internal(error.to_string()))?;
    let mut body = format!(
        "<h1>{} / {} <small>{}</small> {}</h1><p>{} joints, {} vertices, {} clips; profile {}, catalogue {}, judged by {}. \
         <a href=\"{}\">Report as JSON</a></p>",
        escape(&at.production),
        escape(&at.asset),
        escape(&at.label),
        mark(report.verdict),
        report.input.joints,
        report.input.vertices,
        report.input.clips,
        escape(&report.profile.name),
        escape(&report.catalogue),
        report.as_of,
        escape(&found.revision.report_url)
    );
    if report.findings.is_empty() {
        body.push_str("<p>Nothing found.</p>");
    }
    for finding in &report.findings {
        write_finding(&mut body, finding);
    }
    let missed: Vec<_> = report
        .not_run
        .iter()
        .filter(|n| !matches!(n.status, NotRunStatus::NotApplicable | NotRunStatus::Disabled))
        .collect();
    if !missed.is_empty() {
        body.push_str("<h2>Not checked</h2><table>");
        for item in missed {
            let _ = write!(
                body,
                "<tr><td class=\"id\">{}</td><td>{}</td></tr>",
                escape(&item.check),
                escape(&item.reason)
            );
        }
        body.push_str("</table>");
    }
    body.push_str(
        "<h2>Revisions</h2><table><tr><th>label</th><th>number</th><th>verdict</th><th>submitted</th></tr>",
    );
    for other in app.store.revisions(&at.production, &at.asset).await? {
        let (production, asset, label) = (escape(&at.production), escape(&at.asset), escape(&other.label));
        let _ = write!(
            body,
            "<tr><td><a href=\"/assets/{production}/{asset}/{label}\">{label}</a></td><td class=\"n\">{}</td><td>{}</td>\
             <td><small>{}</small></td></tr>",
            other.number,
            mark(other.verdict),
            escape(&other.submitted_at)
        );
    }
    body.push_str("</table>");
    let title = format!("{}/{} {}", at.production, at.asset, at.label);
    Ok(Html(page(&title, &body)))
}

fn write_finding(body: &mut String, finding: &Finding) {
    let word = finding.severity.word();
    let _ = write!(
        body,
        "<article class=\"{word}\"><h2>{}</h2><p><span class=\"{word}\">{word}</span> <span class=\"id\">{}</span></p><dl>",
        escape(&finding.message),
        escape(&finding.check)
    );
    for evidence in &finding.evidence {
        let unit = serde_json::to_value(evidence.unit)
            .ok()
            .and_then(|u| u.as_str().map(str::to_owned))
            .unwrap_or_default();
        let unit = if unit == "1" || unit == "count" { String::new() } else { format!(" {unit}") };
        let measured = evidence.measured.map_or("not a number".to_owned(), |m| m.to_string());
        let limit = evidence.limit.map_or(String::new(), |l| format!(" (limit {l})"));
        let _ = write!(body, "<dt>{}</dt><dd>{measured}{unit}{limit}</dd>", escape(&evidence.quantity));
    }
    let section = if finding.source.section.is_empty() {
        String::new()
    } else {
        format!(" §{}", finding.source.section)
    };
    let _ = write!(
        body,
        "<dt>why</dt><dd>{}</dd><dt>source</dt><dd>{}{}</dd>",
        escape(&finding.why),
        escape(&finding.source.title),
        escape(&section)
    );
    if let Some(fix) = &finding.fix {
        let (Fix::Patch { summary, .. } | Fix::Repair { summary, .. }) = fix;
        let _ = write!(body, "<dt>fix</dt><dd>{}</dd>", escape(summary));
    }
    if let Some(waiver) = &finding.waiver {
        let _ = write!(body, "<dt>waived</dt><dd>{} ({})</dd>", escape(&waiver.reason), escape(&waiver.by));
    }
    body.push_str("</dl></article>");
}
