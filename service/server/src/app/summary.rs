//! The state of a production, or of all.

use std::collections::BTreeMap;

use condyle_api::{Summary, TrendDay, VerdictCounts};
use jiff::ToSpan as _;
use jiff::civil::Date;

use crate::problem::ApiError;
use crate::state::App;

/// Counts and trend; the trend is of `days` days and ends today.
pub async fn summary(
    app: &App,
    production: Option<&str>,
    days: u32,
    today: Date,
) -> Result<Summary, ApiError> {
    let first = today.checked_sub(i64::from(days.saturating_sub(1)).days()).unwrap_or(today);
    let mut productions = app.store.productions().await?;
    if let Some(production) = production {
        productions.retain(|one| one.production == production);
        if productions.is_empty() {
            return Err(ApiError::not_found(format!("production {production}")));
        }
    }
    let span = app.store.span(production).await?;
    let sum = |of: fn(&condyle_api::Production) -> u64| productions.iter().map(of).sum();
    let verdicts =
        VerdictCounts { pass: sum(|one| one.pass), warn: sum(|one| one.warn), fail: sum(|one| one.fail) };
    let rows = app.store.days(production, &first.to_string()).await?;
    Ok(Summary {
        production: production.map(str::to_owned),
        assets: sum(|one| one.assets),
        revisions: span.revisions,
        verdicts,
        checks: app.store.check_counts(production).await?,
        oldest: span.oldest_ms.map(crate::clock::rfc3339),
        newest: span.newest_ms.map(crate::clock::rfc3339),
        trend: trend(rows, first, today),
        productions,
    })
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
