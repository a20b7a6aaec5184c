//! `GET /assets/{production}/{asset}/{label}`: the findings of a revision.

use std::fmt::Write as _;

use axum::extract::State;
use condyle_api::Revision;
use condyle_core::finding::{Applicability, Fix, Unit};
use condyle_core::report::{Finding, NotRunStatus, Report, Severity};

use super::index::moment;
use super::page::{Page, escape, mark, page};
use crate::access::{May, Read};
use crate::app::submit::Address;
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// One revision and its findings, for people.
#[utoipa::path(get, path = "/assets/{production}/{asset}/{label}", tag = "web", operation_id = "showRevision", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label")),
    responses(
        (status = 200, description = "HTML", body = String, content_type = "text/html"),
        (status = 400, description = "A name is malformed", body = condyle_api::Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = condyle_api::Problem, content_type = "application/problem+json"),
    ))]
pub async fn revision(
    State(app): State<App>,
    _: May<Read>,
    AppPath((production, asset, label)): AppPath<(String, String, String)>,
) -> Result<Page, ApiError> {
    let at = Address::checked(production, asset, label)?;
    let found = app.store.whole(&at.production, &at.asset, &at.label).await?;
    let found = found.ok_or_else(|| ApiError::not_found("such revision"))?;
    let others = app.store.revisions(&at.production, &at.asset, None, 50).await?;
    let report: Report =
        serde_json::from_str(&found.report).map_err(|error| ApiError::Internal(error.to_string()))?;
    let (production, asset) = (escape(&at.production), escape(&at.asset));
    let mut body = format!(
        "<h1><a href=\"/?production={production}\">{production}</a> / {asset} / {} {}</h1>",
        escape(&at.label),
        mark(report.verdict)
    );
    if others.len() > 1 {
        body.push_str("<nav class=\"strip\" aria-label=\"revisions, the newest first\">");
        for other in others.iter().take(10) {
            let label = escape(&other.label);
            let current = if other.label == at.label { " aria-current=\"page\"" } else { "" };
            let _ = write!(
                body,
                "<a href=\"/assets/{production}/{asset}/{label}\"{current}>{label} {}</a>",
                mark(other.verdict)
            );
        }
        body.push_str("</nav>");
    }
    let _ = write!(
        body,
        "<p>{}, {}, {}. Profile {}, catalogue {}, judged by {}, submitted {}. \
         <a href=\"{}\">Report as JSON</a>.</p>",
        counted(report.input.joints, "joint", "joints"),
        counted(report.input.vertices, "vertex", "vertices"),
        counted(report.input.clips, "clip", "clips"),
        escape(&report.profile.name),
        escape(&report.catalogue),
        report.as_of,
        escape(&moment(&found.revision.submitted_at)),
        escape(&found.revision.report_url)
    );
    let place = format!("/v1/assets/{production}/{asset}/revisions/{}/figure", escape(&at.label));
    let _ = write!(
        body,
        "<figure><a href=\"{place}\"><img src=\"{place}\" width=\"1000\" loading=\"lazy\" alt=\"The skeleton over the \
         outline of the body, findings marked\"></a></figure>"
    );
    write_findings(&mut body, &report);
    write_rest(&mut body, &report);
    write_revisions(&mut body, &at, &others);
    let title = format!("{}/{} {}", at.production, at.asset, at.label);
    Ok(page(&title, &body))
}

fn write_findings(body: &mut String, report: &Report) {
    if report.findings.is_empty() {
        body.push_str("<p>Nothing was found.</p>");
    }
    for (severity, title) in
        [(Severity::Error, "Errors"), (Severity::Warning, "Warnings"), (Severity::Note, "Notes")]
    {
        let mut of_it =
            report.findings.iter().filter(|f| f.severity == severity && f.waiver.is_none()).peekable();
        if of_it.peek().is_some() {
            let _ = write!(body, "<h2>{title}</h2>");
        }
        of_it.for_each(|finding| write_finding(body, finding));
    }
    let mut waived = report.findings.iter().filter(|f| f.waiver.is_some()).peekable();
    if waived.peek().is_some() {
        body.push_str("<h2>Waived</h2>");
    }
    waived.for_each(|finding| write_finding(body, finding));
}

fn write_rest(body: &mut String, report: &Report) {
    if !report.truncated.is_empty() {
        body.push_str("<h2>Not all shown</h2><ul>");
        for (check, cut) in &report.truncated {
            let _ = write!(body, "<li><code>{}</code>: {} of {}</li>", escape(check), cut.shown, cut.total);
        }
        body.push_str("</ul>");
    }
    if !report.approximations.is_empty() {
        body.push_str("<h2>Approximated</h2><ul>");
        for one in &report.approximations {
            let _ = write!(body, "<li>{} ({})</li>", escape(&one.what), one.amount);
        }
        body.push_str("</ul>");
    }
    let told = |status| !matches!(status, NotRunStatus::NotApplicable | NotRunStatus::Disabled);
    let mut missed = report.not_run.iter().filter(|n| told(n.status)).peekable();
    if missed.peek().is_some() {
        body.push_str("<h2>Not checked</h2><div class=\"scroll\"><table>");
        for item in missed {
            let (check, reason) = (escape(&item.check), escape(&item.reason));
            let _ = write!(body, "<tr><td class=\"id\">{check}</td><td>{reason}</td></tr>");
        }
        body.push_str("</table></div>");
    }
}

fn write_revisions(body: &mut String, at: &Address, revisions: &[Revision]) {
    body.push_str(
        "<h2>Revisions</h2><div class=\"scroll\"><table><tr><th>label</th><th class=\"n\">number</th><th>verdict</th>\
         <th class=\"n\">errors</th><th class=\"n\">warnings</th><th>submitted</th><th>changes</th></tr>",
    );
    for one in revisions {
        let before = revisions.iter().find(|other| other.number < one.number);
        let changes = before.map_or(String::new(), |before| {
            format!(
                "<a href=\"/assets/{}/{}/difference?from={}&amp;to={}\">since {}</a>",
                escape(&at.production),
                escape(&at.asset),
                escape(&before.label),
                escape(&one.label),
                escape(&before.label)
            )
        });
        let (production, asset, label) = (escape(&at.production), escape(&at.asset), escape(&one.label));
        let _ = write!(
            body,
            "<tr><td><a href=\"/assets/{production}/{asset}/{label}\">{label}</a></td><td class=\"n\">{}</td><td>{}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{}</td><td><small>{}</small></td>\
             <td>{changes}</td></tr>",
            one.number,
            mark(one.verdict),
            one.counts.error,
            one.counts.warning,
            escape(&moment(&one.submitted_at))
        );
    }
    body.push_str("</table></div>");
}

fn write_finding(body: &mut String, finding: &Finding) {
    let word = finding.severity.word();
    let shape = match finding.severity {
        Severity::Error => "■",
        Severity::Warning => "▲",
        Severity::Note => "○",
    };
    let waived = if finding.waiver.is_some() { " waived" } else { "" };
    let check = escape(&finding.check);
    let _ = write!(
        body,
        "<article class=\"{word}{waived}\" id=\"{}\"><h3>{}</h3><p class=\"sev {word}\">{shape} {word} \
         <a class=\"id\" href=\"/checks/{check}\">{check}</a></p><dl>",
        escape(&finding.fingerprint),
        escape(&finding.message),
    );
    let pointer = if finding.subject.pointer.is_empty() {
        String::new()
    } else {
        format!(" <code>{}</code>", escape(&finding.subject.pointer))
    };
    let (kind, name) = (escape(&finding.subject.kind), escape(&finding.subject.name));
    let _ = write!(body, "<dt>{kind}</dt><dd>{name}{pointer}</dd>");
    for evidence in &finding.evidence {
        let (unit, scale) = match evidence.unit {
            Unit::Degree => ("°", 1.0),
            Unit::Millimetre => (" mm", 1.0),
            Unit::Size => (" % of S", 100.0),
            Unit::One | Unit::Count => ("", 1.0),
            Unit::Second => (" s", 1.0),
            Unit::Byte => (" bytes", 1.0),
            Unit::Day => (" days", 1.0),
            Unit::Metre => (" m", 1.0),
        };
        let measured = evidence.measured.map_or("not a number".to_owned(), |m| number(m * scale));
        let limit = evidence.limit.map_or(String::new(), |l| format!(" (limit {}{unit})", number(l * scale)));
        let _ = write!(body, "<dt>{}</dt><dd>{measured}{unit}{limit}</dd>", escape(&evidence.quantity));
    }
    let section = if finding.source.section.is_empty() {
        String::new()
    } else {
        format!(", {}", escape(&finding.source.section))
    };
    let (why, source) = (escape(&finding.why), escape(&finding.source.title));
    let _ = write!(body, "<dt>why</dt><dd>{why}</dd><dt>source</dt><dd>{source}{section}</dd>");
    if let Some(fix) = &finding.fix {
        let (Fix::Patch { summary, applicability, .. } | Fix::Repair { summary, applicability, .. }) = fix;
        let safe = if *applicability == Applicability::Safe { "safe" } else { "wants a look" };
        let detail = serde_json::to_string_pretty(fix).unwrap_or_default();
        let _ = write!(
            body,
            "<dt>fix</dt><dd>{} ({safe})<details><summary>as JSON</summary><pre>{}</pre></details></dd>",
            escape(summary),
            escape(&detail)
        );
    }
    if let Some(waiver) = &finding.waiver {
        let until = waiver.until.as_ref().map_or(String::new(), |until| format!(", until {}", escape(until)));
        let (reason, by) = (escape(&waiver.reason), escape(&waiver.by));
        let _ = write!(body, "<dt>waived</dt><dd>{reason} ({by}{until})</dd>");
    }
    body.push_str("</dl></article>");
}

/// A measured value with as many digits as a reader can use.
fn number(value: f64) -> String {
    let text = if value == 0.0 || (1e-3..1e6).contains(&value.abs()) {
        let digits = (3 - value.abs().max(1e-9).log10().floor() as i32).clamp(0, 6) as usize;
        format!("{value:.digits$}")
    } else {
        format!("{value:.3e}")
    };
    if text.contains('.') && !text.contains('e') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}
