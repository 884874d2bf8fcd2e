//! A resolved profile as a TOML table, to be kept with a capture and read back alike.

use super::{Holds, Profile, RowTime, SETTINGS, Step};
use crate::trade::Test;
use toml::{Table, Value};

impl Profile {
    /// The whole profile as a table, nothing extended, with its sources. [`Profile::from_table`] reads it back.
    pub fn to_toml(&self) -> Table {
        let mut out = Table::new();
        out.insert("name".into(), self.name.clone().into());
        out.insert("title".into(), self.title.clone().into());
        if let Some(base) = &self.base {
            out.insert("base".into(), base.clone().into());
        }
        out.insert("asks".into(), self.asks.iter().copied().map(Test::name).collect::<Vec<_>>().into());
        if let Some(row_time) = &self.row_time {
            let mut time = Table::new();
            match row_time {
                RowTime::Column(column) => time.insert("column".into(), column.clone().into()),
                RowTime::Period(seconds) => time.insert("period_s".into(), (*seconds).into()),
            };
            self.put_source(&mut time, "time");
            out.insert("time".into(), time.into());
        }
        let rows: Vec<Value> = self
            .columns
            .iter()
            .map(|column| {
                let mut row = Table::new();
                row.insert("column".into(), column.column.clone().into());
                row.insert("channel".into(), column.channel.name().into());
                row.insert("scale".into(), column.scale.into());
                row.insert("offset".into(), column.offset.into());
                self.put_source(&mut row, &format!("csv.{}", column.column));
                row.into()
            })
            .collect();
        if !rows.is_empty() {
            out.insert("csv".into(), rows.into());
        }
        let rows: Vec<Value> = self
            .calibrations
            .iter()
            .map(|own| {
                let mut row = Table::new();
                row.insert("channel".into(), own.channel.name().into());
                row.insert("adapter".into(), own.adapter.to_vec().into());
                row.insert("instrument".into(), own.instrument.to_vec().into());
                self.put_source(&mut row, &format!("calibrate.{}", own.channel));
                row.into()
            })
            .collect();
        if !rows.is_empty() {
            out.insert("calibrate".into(), rows.into());
        }
        let guides: Table = self.guides.iter().map(|(job, steps)| (job.name().into(), steps_to_toml(steps))).collect();
        if !guides.is_empty() {
            out.insert("guide".into(), guides.into());
        }
        for setting in SETTINGS {
            let Some((section, key)) = setting.path.split_once('.') else { continue };
            let value = match setting.holds {
                Holds::Number { .. } => self.set.number(setting.path).map(Value::from),
                Holds::Word(_) => self.set.word(setting.path).map(Value::from),
            };
            let Some(value) = value else { continue };
            let mut item = Table::new();
            item.insert("value".into(), value);
            self.put_source(&mut item, setting.path);
            if let Value::Table(table) = out.entry(section).or_insert_with(|| Table::new().into()) {
                table.insert(key.into(), item.into());
            }
        }
        out
    }

    fn put_source(&self, table: &mut Table, path: &str) {
        if let Some(source) = self.sources.get(path) {
            table.insert("source".into(), source.clone().into());
        }
    }
}

fn steps_to_toml(steps: &[Step]) -> Value {
    let row = |step: &Step| {
        let mut row = Table::new();
        let mut put = |key: &str, value: Option<Value>| value.map(|v| row.insert(key.to_owned(), v));
        put("title", Some(step.title.clone().into()));
        put("text", Some(step.text.clone().into()));
        put("caution", step.caution.clone().map(Value::from));
        put("until", step.until.as_ref().map(|u| u.words.clone().into()));
        put("patience_s", step.patience.as_ref().map(|p| p.seconds.into()));
        put("late", step.patience.as_ref().map(|p| p.late.clone().into()));
        put("source", step.source.clone().map(Value::from));
        Value::from(row)
    };
    steps.iter().map(row).collect::<Vec<_>>().into()
}
