//! A resolved profile as a TOML table, to be kept with a capture and read back alike.

use super::{Holds, Profile, RowTime, SETTINGS};
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
