//! How do the tables of results reach an engine that takes over where one machine ends?
//!
//! `shots.parquet` and `volleys.parquet` hold what the CSV files hold, typed: numbers as doubles and whole numbers, what is not known
//! as null, text as text (no apostrophe in front: nothing runs a formula there), factors as columns of text named `factor:NAME`
//! where their name is one of the table's own.

use std::collections::BTreeSet;
use std::sync::Arc;

use parquet::basic::{LogicalType, Repetition, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int32Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;

use super::flags::FlagWord;
use super::results::{ShotRow, VolleyResult};
use crate::error::{Error, Result};

/// A column with its values.
enum Column {
    Text(String, Vec<Option<String>>),
    Whole(String, Vec<i32>),
    Double(String, Vec<Option<f64>>),
}

impl Column {
    fn name(&self) -> &str {
        match self {
            Self::Text(n, _) | Self::Whole(n, _) | Self::Double(n, _) => n,
        }
    }

    fn schema(&self) -> std::result::Result<Type, ParquetError> {
        let (physical, logical, repetition) = match self {
            Self::Text(..) => (Physical::BYTE_ARRAY, Some(LogicalType::String), Repetition::OPTIONAL),
            Self::Whole(..) => (Physical::INT32, None, Repetition::REQUIRED),
            Self::Double(..) => (Physical::DOUBLE, None, Repetition::OPTIONAL),
        };
        Type::primitive_type_builder(self.name(), physical)
            .with_logical_type(logical)
            .with_repetition(repetition)
            .build()
    }
}

/// Values that are there, and for every row whether one is (1) or not (0).
fn present<T, U>(values: &[Option<T>], to: impl Fn(&T) -> Option<U>) -> (Vec<U>, Vec<i16>) {
    let there: Vec<Option<U>> = values.iter().map(|v| v.as_ref().and_then(&to)).collect();
    let levels = there.iter().map(|v| i16::from(v.is_some())).collect();
    (there.into_iter().flatten().collect(), levels)
}

fn write(columns: &[Column]) -> std::result::Result<Vec<u8>, ParquetError> {
    let fields = columns.iter().map(|c| c.schema().map(Arc::new)).collect::<std::result::Result<Vec<_>, _>>()?;
    let schema = Type::group_type_builder("results").with_fields(fields).build()?;
    let about = WriterProperties::builder().set_created_by(format!("pockmark {}", env!("CARGO_PKG_VERSION"))).build();
    let mut file = SerializedFileWriter::new(Vec::new(), Arc::new(schema), Arc::new(about))?;
    let mut group = file.next_row_group()?;
    for column in columns {
        let Some(mut out) = group.next_column()? else { break };
        match column {
            Column::Text(_, v) => {
                let (values, levels) = present(v, |t| Some(ByteArray::from(t.as_str())));
                out.typed::<ByteArrayType>().write_batch(&values, Some(&levels), None)?;
            }
            Column::Whole(_, v) => {
                out.typed::<Int32Type>().write_batch(v, None, None)?;
            }
            Column::Double(_, v) => {
                let (values, levels) = present(v, |x| x.is_finite().then_some(*x));
                out.typed::<DoubleType>().write_batch(&values, Some(&levels), None)?;
            }
        }
        out.close()?;
    }
    group.close()?;
    file.into_inner()
}

fn bytes(columns: &[Column]) -> Result<Vec<u8>> {
    write(columns).map_err(|e| Error::no_answer(format!("the results cannot be written as Parquet ({e})")))
}

fn whole(n: u32) -> i32 {
    i32::try_from(n).unwrap_or(i32::MAX)
}

/// `results/shots.parquet` as bytes; `factor_names` gives the factors' order.
///
/// # Errors
/// The writer's own errors.
pub fn shots_parquet(rows: &[ShotRow], factor_names: &[String]) -> Result<Vec<u8>> {
    let text = |name: &str, get: &dyn Fn(&ShotRow) -> String| {
        Column::Text(name.into(), rows.iter().map(|r| Some(get(r))).collect())
    };
    let double =
        |name: &str, get: &dyn Fn(&ShotRow) -> Option<f64>| Column::Double(name.into(), rows.iter().map(get).collect());
    let mut columns = vec![
        text("volley", &|r| r.volley.clone()),
        Column::Whole("mark".into(), rows.iter().map(|r| whole(r.mark)).collect()),
        Column::Whole("count".into(), rows.iter().map(|r| whole(r.count)).collect()),
        text("photo", &|r| r.photo.clone()),
    ];
    type Value<'a> = &'a dyn Fn(&ShotRow) -> Option<f64>;
    let doubles: [(&str, Value); 14] = [
        ("speed_mps", &|r| r.speed_mps),
        ("px_x", &|r| r.px_x),
        ("px_y", &|r| r.px_y),
        ("x_mm", &|r| r.x_mm),
        ("y_mm", &|r| r.y_mm),
        ("x_u_mm", &|r| r.x_u_mm),
        ("y_u_mm", &|r| r.y_u_mm),
        ("diameter_mm", &|r| r.diameter_mm),
        ("significance", &|r| r.significance),
        ("release_deg", &|r| r.release_deg),
        ("release_u_own_deg", &|r| r.release_u_own_deg),
        ("release_u_deg", &|r| r.release_u_deg),
        ("sideways_deg", &|r| r.sideways_deg),
        ("sideways_u_deg", &|r| r.sideways_u_deg),
    ];
    columns.extend(doubles.iter().map(|(name, get)| double(name, get)));
    columns.push(text("flags", &|r| FlagWord::join(&r.flags)));
    let own: BTreeSet<String> = columns.iter().map(|c| c.name().to_lowercase()).collect();
    let factors: Vec<Column> = factor_names
        .iter()
        .map(|f| {
            let name = if own.contains(&f.to_lowercase()) { format!("factor:{f}") } else { f.clone() };
            Column::Text(name, rows.iter().map(|r| r.factors.get(f).filter(|v| !v.is_empty()).cloned()).collect())
        })
        .collect();
    // Behind `photo`, as in the CSV file.
    columns.splice(4..4, factors);
    bytes(&columns)
}

/// `results/volleys.parquet` as bytes.
///
/// # Errors
/// The writer's own errors.
pub fn volleys_parquet(rows: &[VolleyResult]) -> Result<Vec<u8>> {
    let text = |name: &str, get: &dyn Fn(&VolleyResult) -> Option<String>| {
        Column::Text(name.into(), rows.iter().map(get).collect())
    };
    let whole_column = |name: &str, get: &dyn Fn(&VolleyResult) -> u32| {
        Column::Whole(name.into(), rows.iter().map(|r| whole(get(r))).collect())
    };
    let double = |name: &str, get: &dyn Fn(&VolleyResult) -> Option<f64>| {
        Column::Double(name.into(), rows.iter().map(get).collect())
    };
    bytes(&[
        text("volley", &|r| Some(r.volley.clone())),
        text("photo", &|r| Some(r.photo.clone())),
        text("before", &|r| r.before.clone()),
        text("status", &|r| Some(r.status.to_string())),
        whole_column("shots", &|r| r.shots),
        whole_column("found", &|r| r.found),
        double("mean_x_mm", &|r| r.mean_x_mm),
        double("mean_y_mm", &|r| r.mean_y_mm),
        double("mean_release_deg", &|r| r.mean_release_deg),
        double("mean_release_u_own_deg", &|r| r.mean_release_u_own_deg),
        double("mean_release_u_deg", &|r| r.mean_release_u_deg),
        double("spread_release_deg", &|r| r.spread_release_deg),
        text("flags", &|r| Some(FlagWord::join(&r.flags))),
        text("note", &|r| Some(r.note.clone())),
    ])
}

#[cfg(test)]
mod tests {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::RowAccessor;

    use super::*;

    #[test]
    fn what_is_written_is_read() {
        let rows = [
            ShotRow {
                volley: "=1".into(),
                mark: 1,
                count: 2,
                factors: [("net".to_string(), "hart ½".to_string()), ("Mark".to_string(), "x".to_string())].into(),
                y_mm: Some(-12.25),
                release_deg: Some(f64::NAN),
                ..ShotRow::default()
            },
            ShotRow { volley: "2".into(), mark: 1, count: 1, ..ShotRow::default() },
        ];
        let bytes = shots_parquet(&rows, &["net".into(), "Mark".into()]).unwrap();
        let file = SerializedFileReader::new(bytes::Bytes::from(bytes)).unwrap();
        let names: Vec<String> =
            file.metadata().file_metadata().schema_descr().columns().iter().map(|c| c.name().to_string()).collect();
        assert_eq!(names[..6], ["volley", "mark", "count", "photo", "net", "factor:Mark"]);
        assert_eq!(names.len(), super::super::results::SHOT_COLUMNS.len() + 2);
        let read: Vec<_> = file.get_row_iter(None).unwrap().map(|r| r.unwrap()).collect();
        assert_eq!(read.len(), 2);
        assert_eq!((read[0].get_string(0).unwrap().as_str(), read[0].get_int(2).unwrap()), ("=1", 2));
        assert_eq!(read[0].get_string(4).unwrap(), "hart ½");
        let at = names.iter().position(|n| n == "y_mm").unwrap();
        assert_eq!(read[0].get_double(at).unwrap(), -12.25);
        assert!(read[1].get_double(at).is_err(), "what is not known is null");
        let nan = names.iter().position(|n| n == "release_deg").unwrap();
        assert!(read[0].get_double(nan).is_err(), "no number is null");

        let volleys =
            volleys_parquet(&[VolleyResult { shots: 5, note: "look, \"there\"".into(), ..VolleyResult::default() }]);
        let file = SerializedFileReader::new(bytes::Bytes::from(volleys.unwrap())).unwrap();
        assert_eq!(file.metadata().file_metadata().num_rows(), 1);
        assert!(shots_parquet(&[], &[]).is_ok(), "a session without shots");
    }
}
