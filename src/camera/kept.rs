//! How do the matrices of a placed photo reach a file and come back?
//!
//! Row by row; a matrix of another size than it must have is refused.

use nalgebra::{DMatrix, SMatrix};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use super::locate::OWN;

fn rows(v: &[f64], columns: usize) -> impl Fn(usize, usize) -> f64 + '_ {
    move |r, c| v.get(r * columns + c).copied().unwrap_or(0.0)
}

/// Covariance of a photo's own unknowns.
pub(super) mod own {
    use super::*;

    pub fn serialize<S: Serializer>(m: &SMatrix<f64, OWN, OWN>, s: S) -> Result<S::Ok, S::Error> {
        m.transpose().as_slice().serialize(s)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<SMatrix<f64, OWN, OWN>, D::Error> {
        let v = Vec::<f64>::deserialize(d)?;
        if v.len() != OWN * OWN {
            return Err(de::Error::custom("a covariance of another size"));
        }
        Ok(SMatrix::from_fn(rows(&v, OWN)))
    }
}

/// How those unknowns follow the calibration's parameters.
pub(super) mod by_calibration {
    use super::*;

    pub fn serialize<S: Serializer>(m: &DMatrix<f64>, s: S) -> Result<S::Ok, S::Error> {
        m.transpose().as_slice().serialize(s)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<DMatrix<f64>, D::Error> {
        let v = Vec::<f64>::deserialize(d)?;
        if v.len() % OWN != 0 {
            return Err(de::Error::custom("derivatives of another size"));
        }
        let columns = v.len() / OWN;
        Ok(DMatrix::from_fn(OWN, columns, rows(&v, columns)))
    }
}
