//! What a live run keeps beside the raw record: `samples.csv` and `findings.json`. Both can be made again.

use super::csv::Samples;
use super::{Error, json};
use crate::decode::Reading;
use crate::grade::verdict::Findings;
use crate::session::{Sink, SinkError};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Writes both files into the capture's folder.
#[derive(Default)]
pub struct Kept {
    dir: PathBuf,
    samples: Option<Samples<BufWriter<File>>>,
}

impl Sink for Kept {
    fn begin(&mut self, dir: &Path) -> Result<(), SinkError> {
        self.dir = dir.to_owned();
        let (file, what) = create(&dir.join("samples.csv"))?;
        self.samples = Some(Samples::new(BufWriter::new(file), what)?);
        Ok(())
    }

    fn reading(&mut self, reading: &Reading) -> Result<(), SinkError> {
        Ok(self.samples.as_mut().map_or(Ok(()), |s| s.reading(reading))?)
    }

    fn finish(&mut self, findings: &Findings) -> Result<(), SinkError> {
        self.samples.as_mut().map_or(Ok(()), Samples::flush)?;
        let line = json::line(findings)?;
        let (mut file, what) = create(&self.dir.join("findings.json"))?;
        Ok(writeln!(file, "{line}").map_err(Error::write(what))?)
    }
}

fn create(path: &Path) -> Result<(File, String), Error> {
    let what = path.display().to_string();
    Ok((File::create_new(path).map_err(Error::write(&what))?, what))
}
