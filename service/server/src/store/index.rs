//! What is kept beside a revision so that dashboards need not read reports: findings by check, blobs in use.

use std::collections::BTreeMap;

use condyle_api::InputFile;
use condyle_core::report::Severity;
use serde::Deserialize;
use sqlx::{AnyConnection, Row as _};

use super::Store;

/// Findings of one check in one report.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Tally {
    errors: i64,
    warnings: i64,
    notes: i64,
    waived: i64,
}

/// What a report and a manifest say, in short.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Index {
    checks: BTreeMap<String, Tally>,
    blobs: Vec<String>,
    /// The last day of the first waiver to end, `YYYY-MM-DD`; empty where none ends.
    waiver_ends: String,
}

#[derive(Deserialize)]
struct Lines {
    findings: Vec<Line>,
}

#[derive(Deserialize)]
struct Line {
    check: String,
    severity: Severity,
    waiver: Option<Covered>,
}

#[derive(Deserialize)]
struct Covered {
    #[serde(default)]
    until: Option<String>,
}

impl Index {
    /// Reads both. What cannot be read is the fault of this service.
    pub(super) fn of(report: &str, manifest: &str) -> Result<Self, sqlx::Error> {
        let unread = |error: serde_json::Error| sqlx::Error::Decode(Box::new(error));
        let lines: Lines = serde_json::from_str(report).map_err(unread)?;
        let files: Vec<InputFile> = serde_json::from_str(manifest).map_err(unread)?;
        let mut checks: BTreeMap<String, Tally> = BTreeMap::new();
        let ends = lines.findings.iter().filter_map(|line| line.waiver.as_ref()?.until.clone());
        // As texts, days are in the order of time.
        let waiver_ends = ends.min().unwrap_or_default();
        for line in lines.findings {
            let tally = checks.entry(line.check).or_default();
            match (line.waiver, line.severity) {
                (Some(_), _) => tally.waived += 1,
                (None, Severity::Error) => tally.errors += 1,
                (None, Severity::Warning) => tally.warnings += 1,
                (None, Severity::Note) => tally.notes += 1,
            }
        }
        let mut blobs: Vec<String> = files.into_iter().map(|file| file.sha256).collect();
        blobs.sort();
        blobs.dedup();
        Ok(Self { checks, blobs, waiver_ends })
    }
}

/// The holder of a revision's blobs. Names hold no `/`, so no two revisions share one.
pub(super) fn holder(production: &str, asset: &str, number: i64) -> String {
    format!("revision:{production}/{asset}/{number}")
}

/// Writes the index of a revision.
pub(super) async fn write(
    connection: &mut AnyConnection,
    (production, asset, number): (&str, &str, i64),
    index: &Index,
) -> Result<(), sqlx::Error> {
    for (check, tally) in &index.checks {
        sqlx::query(
            "INSERT INTO revision_checks (production, asset, number, check_id, errors, warnings, notes, waived) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
        )
        .bind(production)
        .bind(asset)
        .bind(number)
        .bind(check)
        .bind(tally.errors)
        .bind(tally.warnings)
        .bind(tally.notes)
        .bind(tally.waived)
        .execute(&mut *connection)
        .await?;
    }
    let holder = holder(production, asset, number);
    for sha256 in &index.blobs {
        sqlx::query(
            "INSERT INTO blob_uses (sha256, holder) VALUES ($1, $2) ON CONFLICT (sha256, holder) DO NOTHING",
        )
        .bind(sha256)
        .bind(&holder)
        .execute(&mut *connection)
        .await?;
    }
    sqlx::query(
        "UPDATE revisions SET indexed = 1, waiver_ends = $4 WHERE production = $1 AND asset = $2 AND number = $3",
    )
        .bind(production)
        .bind(asset)
        .bind(number)
        .bind(&index.waiver_ends)
        .execute(&mut *connection)
        .await
        .map(|_| ())
}

/// Removes the index of a revision that goes, and says which blobs it held.
pub(super) async fn remove(
    connection: &mut AnyConnection,
    (production, asset, number): (&str, &str, i64),
) -> Result<Vec<String>, sqlx::Error> {
    sqlx::query("DELETE FROM revision_checks WHERE production = $1 AND asset = $2 AND number = $3")
        .bind(production)
        .bind(asset)
        .bind(number)
        .execute(&mut *connection)
        .await?;
    let holder = holder(production, asset, number);
    let blobs = sqlx::query_scalar("SELECT sha256 FROM blob_uses WHERE holder = $1 ORDER BY sha256")
        .bind(&holder)
        .fetch_all(&mut *connection)
        .await?;
    sqlx::query("DELETE FROM blob_uses WHERE holder = $1").bind(&holder).execute(&mut *connection).await?;
    Ok(blobs)
}

impl Store {
    /// Fills in what revisions of an older version of this service lack.
    pub(super) async fn fill_index(&self) -> Result<(), sqlx::Error> {
        loop {
            let mut transaction = self.begin().await?;
            let rows = sqlx::query(
                "SELECT production, asset, number, verdict, manifest, body, submitted_ms FROM revisions \
                 JOIN reports ON sha256 = report_sha256 WHERE indexed = 0 \
                 ORDER BY submitted_ms, production, asset, number LIMIT 200",
            )
            .fetch_all(&mut *transaction)
            .await?;
            if rows.is_empty() {
                // Where a clock went back, the order of times was not the order of numbers.
                let astray: Vec<(String, String, i64)> = sqlx::query_as(
                    "SELECT production, asset, changed_ms FROM assets a WHERE number <> (SELECT MAX(number) \
                     FROM revisions r WHERE r.production = a.production AND r.asset = a.asset)",
                )
                .fetch_all(&mut *transaction)
                .await?;
                for (production, asset, at) in astray {
                    super::settle::asset(&mut transaction, &production, &asset, at).await?;
                }
                return transaction.commit().await;
            }
            for row in &rows {
                let (production, asset): (String, String) =
                    (row.try_get("production")?, row.try_get("asset")?);
                let (number, at): (i64, i64) = (row.try_get("number")?, row.try_get("submitted_ms")?);
                let index = Index::of(row.try_get("body")?, row.try_get("manifest")?)?;
                write(&mut transaction, (&production, &asset, number), &index).await?;
                // One after the other, as if each came today: so the days get their numbers, too.
                let latest = Some((number, row.try_get("verdict")?));
                let place = (production.as_str(), asset.as_str());
                let settled = super::settle::note(&mut transaction, place, latest, at).await?;
                super::settle::day(&mut transaction, &production, at, settled.into()).await?;
            }
            transaction.commit().await?;
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use condyle_api::Revision;
    use condyle_core::report::{Counts, Verdict};

    use super::*;
    use crate::store::{AssetFilter, Stored};

    #[test]
    fn findings_are_counted_by_check_and_waived_ones_apart() {
        let report = r#"{"findings": [
            {"check": "skin/sum", "severity": "error", "waiver": null, "more": [1]},
            {"check": "skin/sum", "severity": "error", "waiver": {"by": "x"}},
            {"check": "naming/empty", "severity": "note", "waiver": null}]}"#;
        let manifest = r#"[{"role":"plan","name":"a","bytes":1,"sha256":"b"},{"role":"file","name":"c","bytes":1,"sha256":"b"}]"#;
        let index = Index::of(report, manifest).unwrap();
        assert_eq!(index.checks["skin/sum"], Tally { errors: 1, waived: 1, ..Tally::default() });
        assert_eq!(index.checks["naming/empty"], Tally { notes: 1, ..Tally::default() });
        assert_eq!(index.blobs, ["b"]);
    }

    fn stored(asset: &str, label: &str, verdict: Verdict, check: &str, at: i64) -> Stored {
        let report = format!(
            "{{\"findings\":[{{\"check\":\"{check}\",\"severity\":\"error\",\"waiver\":null}}],\"at\":{at}}}"
        );
        Stored {
            revision: Revision {
                production: "tidepool".into(),
                asset: asset.into(),
                label: label.into(),
                number: 0,
                input_sha256: "a".repeat(64),
                input_bytes: 1,
                verdict,
                counts: Counts::default(),
                profile: "realtime".into(),
                catalogue: "1.0.0".into(),
                submitted_at: String::new(),
                report_url: String::new(),
            },
            manifest: format!("[{{\"role\":\"model\",\"name\":\"a\",\"bytes\":1,\"sha256\":\"{asset}\"}}]"),
            report_sha256: condyle_core::intake::file_digest(report.as_bytes()),
            report,
            submitted_ms: at,
        }
    }

    /// A database of before the index: its rows get one when it is opened, and the trend as far as they tell it.
    #[tokio::test]
    async fn revisions_of_an_older_version_are_indexed_when_the_store_is_opened() {
        const DAY: i64 = 86_400_000;
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("condyle.sqlite");
        let store = Store::open(&file).await.unwrap();
        for (label, verdict, at) in [("v1", Verdict::Pass, 0), ("v2", Verdict::Fail, DAY)] {
            store.insert(&stored("heron", label, verdict, "skin/sum", at), None).await.unwrap();
        }
        store.insert(&stored("eel", "v1", Verdict::Pass, "naming/empty", 2 * DAY), None).await.unwrap();
        let state = async |store: &Store| {
            let assets = store.assets(&AssetFilter { limit: 10, ..AssetFilter::default() }).await.unwrap();
            let checks = store.check_counts(None).await.unwrap();
            let days = store.days(None, "").await.unwrap();
            (assets, checks, days, store.blob_in_use("heron").await.unwrap())
        };
        let before = state(&store).await;
        assert_eq!(before.0.len(), 2);
        assert_eq!((before.2[1].1.day.as_str(), before.2[1].1.worse), ("1970-01-02", 1));
        assert!(before.3);
        for table in ["revision_checks", "blob_uses", "assets", "days"] {
            let sql = sqlx::AssertSqlSafe(format!("DELETE FROM {table}"));
            sqlx::query(sql).execute(&store.pool).await.unwrap();
        }
        sqlx::query("UPDATE revisions SET indexed = 0").execute(&store.pool).await.unwrap();
        store.close().await;
        let store = Store::open(&file).await.unwrap();
        assert_eq!(state(&store).await, before);
    }

    #[tokio::test]
    async fn a_clock_that_went_back_does_not_hide_the_latest_revision() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("condyle.sqlite");
        let store = Store::open(&file).await.unwrap();
        for (label, at) in [("v1", 5_000), ("v2", 1_000)] {
            store.insert(&stored("heron", label, Verdict::Fail, "skin/sum", at), None).await.unwrap();
        }
        for sql in ["DELETE FROM revision_checks", "DELETE FROM blob_uses", "DELETE FROM assets"] {
            sqlx::query(sql).execute(&store.pool).await.unwrap();
        }
        sqlx::query("UPDATE revisions SET indexed = 0").execute(&store.pool).await.unwrap();
        store.close().await;
        let store = Store::open(&file).await.unwrap();
        let asset = store.asset("tidepool", "heron").await.unwrap().unwrap();
        assert_eq!(asset.latest.label, "v2");
    }
}
