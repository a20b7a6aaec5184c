//! The state of a production, or of all.

use std::collections::BTreeMap;

use condyle_api::{CheckCount, Summary, TrendDay, VerdictCounts};
use jiff::ToSpan as _;
use jiff::civil::Date;

use crate::access::Reach;
use crate::problem::ApiError;
use crate::state::App;
use crate::store::Span;

/// Counts and trend; the trend is of `days` days and ends today.
pub async fn summary(
    app: &App,
    production: Option<&str>,
    reach: &Reach,
    days: u32,
    today: Date,
) -> Result<Summary, ApiError> {
    let first = today.checked_sub(i64::from(days.saturating_sub(1)).days()).unwrap_or(today);
    let mut productions = app.store.productions().await?;
    productions.retain(|one| reach.covers(&one.production));
    if let Some(production) = production {
        productions.retain(|one| one.production == production);
        if productions.is_empty() {
            return Err(ApiError::not_found(format!("production {production}")));
        }
    }
    let found = found(app, production, reach).await?;
    let span = found.span;
    let sum = |of: fn(&condyle_api::Production) -> u64| productions.iter().map(of).sum();
    let verdicts =
        VerdictCounts { pass: sum(|one| one.pass), warn: sum(|one| one.warn), fail: sum(|one| one.fail) };
    let mut rows = app.store.days(production, &first.to_string()).await?;
    rows.retain(|(production, _)| reach.covers(production));
    Ok(Summary {
        production: production.map(str::to_owned),
        assets: sum(|one| one.assets),
        revisions: span.revisions,
        verdicts,
        checks: found.checks,
        oldest: span.oldest_ms.map(crate::clock::rfc3339),
        newest: span.newest_ms.map(crate::clock::rfc3339),
        trend: trend(rows, first, today),
        productions,
    })
}

/// What is counted over revisions.
struct Found {
    span: Span,
    checks: Vec<CheckCount>,
}

/// Counts of one production, of all, or of those within reach, which are added up: an asset is in one production.
async fn found(app: &App, production: Option<&str>, reach: &Reach) -> Result<Found, ApiError> {
    let (None, Reach::Only(names)) = (production, reach) else {
        let (span, checks) = (app.store.span(production).await?, app.store.check_counts(production).await?);
        return Ok(Found { span, checks });
    };
    let mut span = Span::default();
    let mut checks: BTreeMap<String, CheckCount> = BTreeMap::new();
    for name in names {
        let one = app.store.span(Some(name)).await?;
        span.revisions += one.revisions;
        span.oldest_ms = span.oldest_ms.into_iter().chain(one.oldest_ms).min();
        span.newest_ms = span.newest_ms.into_iter().chain(one.newest_ms).max();
        for count in app.store.check_counts(Some(name)).await? {
            match checks.get_mut(&count.check) {
                None => {
                    checks.insert(count.check.clone(), count);
                }
                Some(sum) => {
                    sum.assets += count.assets;
                    sum.error += count.error;
                    sum.warning += count.warning;
                    sum.note += count.note;
                    sum.waived += count.waived;
                }
            }
        }
    }
    let mut checks: Vec<CheckCount> = checks.into_values().collect();
    // As the store orders them: the check with most assets first.
    checks.sort_by(|a, b| b.assets.cmp(&a.assets).then_with(|| a.check.cmp(&b.check)));
    Ok(Found { span, checks })
}

/// Every day from `first` to `last`, over all productions: what a production left behind stays until it changes.
fn trend(rows: Vec<(String, TrendDay)>, first: Date, last: Date) -> Vec<TrendDay> {
    let mut left: BTreeMap<String, VerdictCounts> = BTreeMap::new();
    let mut rows = rows.into_iter().peekable();
    let mut days = Vec::new();
    let mut day = first;
    loop {
        let name = day.to_string();
        let mut now = TrendDay { day: name.clone(), ..TrendDay::default() };
        while let Some((production, row)) = rows.next_if(|(_, row)| row.day <= name) {
            if row.day == name {
                now.stored += row.stored;
                now.better += row.better;
                now.worse += row.worse;
            }
            left.insert(production, VerdictCounts { pass: row.pass, warn: row.warn, fail: row.fail });
        }
        for counts in left.values() {
            now.pass += counts.pass;
            now.warn += counts.warn;
            now.fail += counts.fail;
        }
        days.push(now);
        match day.tomorrow() {
            Ok(next) if next <= last => day = next,
            _ => return days,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn what_a_day_left_behind_stays_until_it_changes() {
        let row = |production: &str, day: &str, pass, fail, stored| {
            (production.to_owned(), TrendDay { day: day.into(), pass, fail, stored, ..TrendDay::default() })
        };
        let rows = vec![
            row("tidepool", "2026-11-20", 3, 0, 3),
            row("shallows", "2026-11-23", 1, 0, 1),
            row("tidepool", "2026-11-24", 2, 1, 1),
        ];
        let days = trend(rows, date(2026, 11, 22), date(2026, 11, 25));
        let told: Vec<(&str, u64, u64, u64)> =
            days.iter().map(|one| (one.day.as_str(), one.pass, one.fail, one.stored)).collect();
        assert_eq!(
            told,
            [
                ("2026-11-22", 3, 0, 0),
                ("2026-11-23", 4, 0, 1),
                ("2026-11-24", 3, 1, 1),
                ("2026-11-25", 3, 1, 0)
            ]
        );
    }
}
