//! Lists of assets and productions.

use condyle_api::{Asset, Production};
use sqlx::Row as _;
use sqlx::any::AnyRow;

use super::{Store, summary};

/// What to list.
#[derive(Debug, Clone, Default)]
pub struct AssetFilter {
    /// Only this production.
    pub production: Option<String>,
    /// Only this verdict of the latest revision.
    pub verdict: Option<String>,
    /// Only names that hold this text.
    pub text: Option<String>,
    /// Only where the latest revision has an unwaived finding of this check, or of this family.
    pub check: Option<String>,
    /// Only what changed at or after this time, milliseconds since the epoch.
    pub changed_since_ms: Option<i64>,
    /// After this production and asset.
    pub after: Option<(String, String)>,
    /// At most this many.
    pub limit: u32,
}

const LATEST: &str = "SELECT r.production, r.asset, r.label, r.number, r.input_sha256, r.input_bytes, r.verdict, \
    r.errors, r.warnings, r.notes, r.waived, r.profile, r.catalogue, r.submitted_ms, a.changed_ms \
    FROM assets a JOIN revisions r ON r.production = a.production AND r.asset = a.asset AND r.number = a.number";

impl Store {
    /// Productions by name, with the verdicts of their assets' latest revisions.
    pub async fn productions(&self) -> Result<Vec<Production>, sqlx::Error> {
        let rows = sqlx::query(
            "SELECT production, COUNT(*) AS assets, SUM(CASE WHEN verdict = 'pass' THEN 1 ELSE 0 END) AS pass, \
             SUM(CASE WHEN verdict = 'warn' THEN 1 ELSE 0 END) AS warn, \
             SUM(CASE WHEN verdict = 'fail' THEN 1 ELSE 0 END) AS fail FROM assets \
             GROUP BY production ORDER BY production LIMIT 10000",
        )
        .fetch_all(&self.pool)
        .await?;
        rows.iter().map(production).collect()
    }

    /// Assets with their latest revisions, by production and name.
    pub async fn assets(&self, filter: &AssetFilter) -> Result<Vec<Asset>, sqlx::Error> {
        let sql = format!(
            "{LATEST} WHERE ($1 = '' OR a.production = $1) AND ($2 = '' OR a.verdict = $2) \
             AND ($3 = '' OR LOWER(a.asset) LIKE LOWER($3) ESCAPE '\\') AND a.changed_ms >= $4 \
             AND ($5 = '' OR EXISTS (SELECT 1 FROM revision_checks c WHERE c.production = a.production \
             AND c.asset = a.asset AND c.number = a.number AND (c.check_id = $5 OR SUBSTR(c.check_id, 1, LENGTH($5) + 1) = $5 || '/') \
             AND c.errors + c.warnings + c.notes > 0)) \
             AND (a.production > $6 OR (a.production = $6 AND a.asset > $7)) \
             ORDER BY a.production, a.asset LIMIT $8",
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(filter.production.as_deref().unwrap_or(""))
            .bind(filter.verdict.as_deref().unwrap_or(""))
            .bind(
                filter
                    .text
                    .as_deref()
                    .filter(|text| !text.is_empty())
                    .map_or(String::new(), |text| format!("%{}%", plain(text))),
            )
            .bind(filter.changed_since_ms.unwrap_or(i64::MIN))
            .bind(filter.check.as_deref().unwrap_or(""))
            .bind(filter.after.as_ref().map_or("", |(production, _)| production))
            .bind(filter.after.as_ref().map_or("", |(_, asset)| asset))
            .bind(i64::from(filter.limit))
            .fetch_all(&self.pool)
            .await?;
        rows.iter().map(listed).collect()
    }

    /// One asset with its latest revision.
    pub async fn asset(&self, production: &str, asset: &str) -> Result<Option<Asset>, sqlx::Error> {
        let sql = format!("{LATEST} WHERE a.production = $1 AND a.asset = $2");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(production)
            .bind(asset)
            .fetch_optional(&self.pool)
            .await?;
        row.as_ref().map(listed).transpose()
    }
}

fn listed(row: &AnyRow) -> Result<Asset, sqlx::Error> {
    let revision = summary(row)?;
    Ok(Asset {
        production: revision.production.clone(),
        asset: revision.asset.clone(),
        changed_at: crate::clock::rfc3339(row.try_get("changed_ms")?),
        latest: revision,
    })
}

/// A text in which `LIKE` sees nothing special.
fn plain(text: &str) -> String {
    text.replace('\\', "\\\\").replace('%', "\\%").replace('_', "\\_")
}

pub(super) fn production(row: &AnyRow) -> Result<Production, sqlx::Error> {
    let number = |column: &str| row.try_get::<i64, _>(column).map(|n| n.max(0) as u64);
    Ok(Production {
        production: row.try_get("production")?,
        assets: number("assets")?,
        pass: number("pass")?,
        warn: number("warn")?,
        fail: number("fail")?,
    })
}
