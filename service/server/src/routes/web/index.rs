//! `GET /`: assets and verdicts.

use std::fmt::Write as _;

use axum::extract::State;
use condyle_core::report::Verdict;

use super::page::{Page, escape, mark, page};
use crate::problem::ApiError;
use crate::routes::assets::list::{self, Filter};
use crate::routes::negotiate::AppQuery;
use crate::state::App;

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
    /// From the link to the next page.
    cursor: Option<String>,
}

/// The assets, with their verdicts.
#[utoipa::path(get, path = "/", tag = "web", operation_id = "showAssets", params(Form),
    responses(
        (status = 200, description = "HTML", body = String, content_type = "text/html"),
        (status = 400, description = "The query is wrong", body = condyle_api::Problem, content_type = "application/problem+json"),
    ))]
pub async fn index(State(app): State<App>, AppQuery(form): AppQuery<Form>) -> Result<Page, ApiError> {
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
        cursor: form.cursor.clone(),
        limit: None,
    };
    let productions = app.store.productions().await?;
    let assets = list::page(&app, &filter).await?;
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
    write_form(&mut body, &form);
    if assets.items.is_empty() {
        body.push_str("<p>No asset is like that.</p>");
    } else {
        body.push_str(
            "<div class=\"scroll\"><table><tr><th>production</th><th>asset</th><th>latest</th><th>verdict</th>\
             <th class=\"n\">errors</th><th class=\"n\">warnings</th><th class=\"n\">notes</th><th class=\"n\">waived</th>\
             <th>submitted</th></tr>",
        );
        for asset in &assets.items {
            let latest = &asset.latest;
            let (production, name, label) =
                (escape(&asset.production), escape(&asset.asset), escape(&latest.label));
            let _ = write!(
                body,
                "<tr><td>{production}</td><td><a href=\"/assets/{production}/{name}/{label}\">{name}</a></td>\
                 <td>{label}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
                 <td class=\"n\">{}</td><td><small>{}</small></td></tr>",
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
        let _ = write!(
            body,
            "<p><a rel=\"next\" href=\"/?{}\">More</a></p>",
            escape(&list::following(&filter, next))
        );
    }
    Ok(page("Assets", &body))
}

fn write_form(body: &mut String, form: &Form) {
    let _ = write!(
        body,
        "<form method=\"get\" action=\"/\"><label>name holds<input name=\"q\" value=\"{}\"></label>\
         <label>production<input name=\"production\" value=\"{}\"></label><label>verdict<select name=\"verdict\">",
        escape(&form.q),
        escape(&form.production)
    );
    for (value, word) in [("", "any"), ("fail", "■ fail"), ("warn", "▲ warn"), ("pass", "● pass")] {
        let selected = if form.verdict == value { " selected" } else { "" };
        let _ = write!(body, "<option value=\"{value}\"{selected}>{word}</option>");
    }
    body.push_str("</select></label><button>Show</button></form>");
}

/// A time to the minute.
pub(super) fn moment(rfc3339: &str) -> String {
    match (rfc3339.get(..10), rfc3339.get(11..16)) {
        (Some(day), Some(minute)) => format!("{day} {minute} UTC"),
        _ => rfc3339.to_owned(),
    }
}
