//! `GET /`: assets and verdicts.

use std::fmt::Write as _;

use axum::extract::State;
use condyle_api::{CheckCount, TrendDay};
use condyle_core::report::Verdict;

use super::page::{Page, escape, mark, page};
use crate::access::{May, Read};
use crate::app::summary::summary;
use crate::problem::ApiError;
use crate::routes::assets::list::{self, Filter};
use crate::routes::cursor;
use crate::routes::negotiate::AppQuery;
use crate::state::App;

/// Days of the trend.
const TREND_DAYS: u32 = 30;

/// What a form sends: empty where nothing was chosen.
#[derive(Debug, serde::Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Form {
    /// Only this production.
    #[serde(default)]
    production: String,
    /// Only this verdict.
    #[serde(default)]
    verdict: String,
    /// Only names that hold this.
    #[serde(default)]
    q: String,
    /// Only with a finding of this check or family.
    #[serde(default)]
    check: String,
    /// Only what changed on this day or later.
    #[serde(default)]
    since: String,
    /// From the link to the next page.
    cursor: Option<String>,
}

/// The assets, with their verdicts.
#[utoipa::path(get, path = "/", tag = "web", operation_id = "showAssets", security((), ("token" = ["read"])), params(Form),
    responses(
        (status = 200, description = "HTML", body = String, content_type = "text/html"),
        (status = 400, description = "The query is wrong", body = condyle_api::Problem, content_type = "application/problem+json"),
    ))]
pub async fn index(
    State(app): State<App>,
    may: May<Read>,
    AppQuery(form): AppQuery<Form>,
) -> Result<Page, ApiError> {
    let verdict = match form.verdict.as_str() {
        "pass" => Some(Verdict::Pass),
        "warn" => Some(Verdict::Warn),
        "fail" => Some(Verdict::Fail),
        _ => None,
    };
    let some = |text: &str| Some(text.to_owned()).filter(|text| !text.is_empty());
    let filter = Filter {
        production: some(&form.production),
        verdict,
        q: some(&form.q),
        check: some(&form.check),
        // A day of a form, or a time of a link to the next page.
        changed_since: some(&form.since).map(|day| format!("{day}T00:00:00Z")),
        fields: None,
        cursor: form.cursor.clone(),
        limit: None,
    };
    let of = filter.production.as_deref();
    let today = crate::clock::today();
    let reach = may.within(of)?;
    let state = match summary(&app, of, &reach, TREND_DAYS, today).await {
        Err(ApiError::NotFound(..)) => summary(&app, None, may.caller.reach(), TREND_DAYS, today).await?,
        other => other?,
    };
    let productions = &state.productions;
    let assets = list::page(&app, &filter, &reach).await?;
    let mut body = String::from("<h1>Assets</h1>");
    if productions.is_empty() {
        body.push_str(
            "<p>Nothing has been submitted yet. Submit a revision with</p><pre>curl -T hero.glb \
             http://…/v1/assets/SHOW/hero/revisions/v001</pre>",
        );
        return Ok(page("Assets", &body));
    }
    if productions.len() > 1 {
        body.push_str("<div class=\"scroll\"><table><tr><th>production</th><th class=\"n\">assets</th>");
        for verdict in [Verdict::Pass, Verdict::Warn, Verdict::Fail] {
            let _ = write!(body, "<th class=\"n\">{}</th>", mark(verdict));
        }
        body.push_str("</tr>");
        for one in productions.iter().take(50) {
            let name = escape(&one.production);
            let _ = write!(
                body,
                "<tr><td><a href=\"/?production={name}\">{name}</a></td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
                 <td class=\"n\">{}</td><td class=\"n\">{}</td></tr>",
                one.assets, one.pass, one.warn, one.fail
            );
        }
        body.push_str("</table></div>");
    }
    write_trend(&mut body, &state.trend);
    write_checks(&mut body, &form, &state.checks);
    write_form(&mut body, &form);
    if assets.items.is_empty() {
        body.push_str("<p>No asset is like that.</p>");
    } else {
        body.push_str(
            "<div class=\"scroll\"><table><tr><th>production</th><th>asset</th><th>latest</th><th>verdict</th>\
             <th class=\"n\">errors</th><th class=\"n\">warnings</th><th class=\"n\">notes</th><th class=\"n\">waived</th>\
             <th>submitted</th><th>changes</th></tr>",
        );
        for asset in &assets.items {
            let latest = &asset.latest;
            let since = if latest.number > 1 { "since the last" } else { "" };
            let (production, name, label) =
                (escape(&asset.production), escape(&asset.asset), escape(&latest.label));
            let _ = write!(
                body,
                "<tr><td>{production}</td><td><a href=\"/assets/{production}/{name}/{label}\">{name}</a></td>\
                 <td>{label}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
                 <td class=\"n\">{}</td><td><small>{}</small></td>\
                 <td><a href=\"/assets/{production}/{name}/difference\">{since}</a></td></tr>",
                mark(latest.verdict),
                latest.counts.error,
                latest.counts.warning,
                latest.counts.note,
                latest.counts.waived,
                escape(&moment(&latest.submitted_at))
            );
        }
        body.push_str("</table></div>");
    }
    if let Some(next) = &assets.next {
        let _ =
            write!(body, "<p><a rel=\"next\" href=\"/?{}\">More</a></p>", escape(&following(&form, next)));
    }
    Ok(page("Assets", &body))
}

fn write_form(body: &mut String, form: &Form) {
    let _ = write!(
        body,
        "<form method=\"get\" action=\"/\"><label>name holds<input name=\"q\" value=\"{}\"></label>\
         <label>production<input name=\"production\" value=\"{}\"></label>\
         <label>check or family<input name=\"check\" value=\"{}\"></label>\
         <label>changed since<input type=\"date\" name=\"since\" value=\"{}\"></label><label>verdict<select name=\"verdict\">",
        escape(&form.q),
        escape(&form.production),
        escape(&form.check),
        escape(&form.since)
    );
    for (value, word) in [("", "any"), ("fail", "■ fail"), ("warn", "▲ warn"), ("pass", "● pass")] {
        let selected = if form.verdict == value { " selected" } else { "" };
        let _ = write!(body, "<option value=\"{value}\"{selected}>{word}</option>");
    }
    body.push_str("</select></label><button>Show</button></form>");
}

/// The query of the page after.
fn following(form: &Form, next: &str) -> String {
    let some = |text: &'_ str| Some(text.to_owned()).filter(|text| !text.is_empty());
    let (production, verdict, q) = (some(&form.production), some(&form.verdict), some(&form.q));
    let (check, since) = (some(&form.check), some(&form.since));
    cursor::query(&[
        ("production", production.as_deref()),
        ("verdict", verdict.as_deref()),
        ("q", q.as_deref()),
        ("check", check.as_deref()),
        ("since", since.as_deref()),
        ("cursor", Some(next)),
    ])
}

/// The last days as bars: a picture for those who see it, and a table for those who want numbers.
fn write_trend(body: &mut String, trend: &[TrendDay]) {
    let most = trend.iter().map(|day| day.pass + day.warn + day.fail).max().unwrap_or(0);
    if most == 0 {
        return;
    }
    const HEIGHT: u64 = 60;
    const STEP: u64 = 20;
    const WIDE: u64 = 16;
    let width = trend.len() as u64 * STEP;
    let worse: u64 = trend.iter().map(|day| day.worse).sum();
    let better: u64 = trend.iter().map(|day| day.better).sum();
    let _ = write!(
        body,
        "<h2>The last {} days</h2><p>Verdicts that got worse: {worse}; better: {better}.</p>\
         <div class=\"scroll\"><svg class=\"trend\" width=\"{width}\" height=\"{HEIGHT}\" role=\"img\" \
         aria-label=\"assets by verdict, day by day; the table below has the numbers\">",
        trend.len()
    );
    for (at, day) in trend.iter().enumerate() {
        let mut top = HEIGHT;
        for (word, count) in [("pass", day.pass), ("warn", day.warn), ("fail", day.fail)] {
            let height = (count * HEIGHT).div_ceil(most).min(top);
            if height == 0 {
                continue;
            }
            top -= height;
            let _ = write!(
                body,
                "<rect class=\"{word}\" x=\"{}\" y=\"{top}\" width=\"{WIDE}\" height=\"{height}\"><title>{}: \
                 {count} {word}</title></rect>",
                at as u64 * STEP,
                escape(&day.day)
            );
        }
    }
    body.push_str(
        "</svg></div><details><summary>In numbers</summary><div class=\"scroll\"><table><tr><th>day</th>\
         <th class=\"n\">pass</th><th class=\"n\">warn</th><th class=\"n\">fail</th><th class=\"n\">stored</th>\
         <th class=\"n\">worse</th><th class=\"n\">better</th></tr>",
    );
    for day in trend.iter().rev() {
        let _ = write!(body, "<tr><td>{}</td>", escape(&day.day));
        for number in [day.pass, day.warn, day.fail, day.stored, day.worse, day.better] {
            let _ = write!(body, "<td class=\"n\">{number}</td>");
        }
        body.push_str("</tr>");
    }
    body.push_str("</table></div></details>");
}

/// What is found most, each with a link to the assets.
fn write_checks(body: &mut String, form: &Form, checks: &[CheckCount]) {
    let mut found = checks.iter().filter(|one| one.assets > 0).take(10).peekable();
    if found.peek().is_none() {
        return;
    }
    body.push_str("<h2>Found most</h2><ul class=\"plain\">");
    for one in found {
        let query = cursor::query(&[
            ("production", Some(form.production.as_str()).filter(|text| !text.is_empty())),
            ("check", Some(&one.check)),
        ]);
        let _ = write!(
            body,
            "<li><a class=\"id\" href=\"/?{}\">{}</a> in {} {}</li>",
            escape(&query),
            escape(&one.check),
            one.assets,
            if one.assets == 1 { "asset" } else { "assets" }
        );
    }
    body.push_str("</ul>");
}

/// A time to the minute.
pub(super) fn moment(rfc3339: &str) -> String {
    match (rfc3339.get(..10), rfc3339.get(11..16)) {
        (Some(day), Some(minute)) => format!("{day} {minute} UTC"),
        _ => rfc3339.to_owned(),
    }
}
