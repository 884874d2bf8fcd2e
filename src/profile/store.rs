//! A resolved profile as a TOML table, to be kept with a capture and read back alike.

use super::read_dialect;
use super::{Field, Holds, Profile, RowTime, SETTINGS, Step};
use crate::channel::Channel;
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
        self.put_bus(&mut out);
        out.insert("dialect".into(), read_dialect::to_toml(&self.dialect, self.sources.get("dialect")).into());
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

    fn put_bus(&self, out: &mut Table) {
        let whole = |n: u64| Value::Integer(n.cast_signed());
        let mut put = |name: &str, rows: Vec<Table>| {
            if !rows.is_empty() {
                out.insert(name.into(), rows.into());
            }
        };
        let common = |kind: &str, channel: Channel, rate_hz: f64| {
            let mut row = Table::new();
            row.insert("channel".into(), channel.name().into());
            row.insert("rate_hz".into(), rate_hz.into());
            self.put_source(&mut row, &format!("{kind}.{channel}"));
            row
        };
        let field = |row: &mut Table, f: &Field| {
            row.insert("bytes".into(), format!("{}-{}", f.first, f.last).into());
            // All ones of eight bytes does not fit the signed whole numbers of TOML, and is the default.
            if f.mask < 1 << 63 {
                row.insert("mask".into(), whole(f.mask));
            }
            row.insert("order".into(), if f.low_first { "low_first" } else { "high_first" }.into());
            row.insert("signed".into(), if f.signed { "yes" } else { "no" }.into());
            row.insert("resolution".into(), f.resolution.into());
            row.insert("offset".into(), f.offset.into());
        };
        let obd = self.bus.obd.iter().map(|s| {
            let mut row = common("obd", s.channel, s.rate_hz);
            row.insert("pid".into(), whole(s.pid.into()));
            row
        });
        put("obd", obd.collect());
        let did = self.bus.did.iter().map(|s| {
            let mut row = common("did", s.channel, s.rate_hz);
            row.insert("did".into(), whole(s.did.into()));
            row.insert("length".into(), whole(s.length.into()));
            field(&mut row, &s.field);
            row
        });
        put("did", did.collect());
        let broadcast = self.bus.broadcast.iter().map(|s| {
            let mut row = common("broadcast", s.channel, s.rate_hz);
            row.insert("id".into(), s.id.to_string().into());
            field(&mut row, &s.field);
            row
        });
        put("broadcast", broadcast.collect());
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
