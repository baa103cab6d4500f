//! What does the study need to know about each shot?
//!
//! [`Shot`] is one entry of the marks' list (a ball, or several merged ones), [`Setup`] the values of
//! the factor columns, [`StudyOptions`] what the person cares about.

use crate::uncertainty::Estimate;
use serde::de::{MapAccess, Visitor};
use serde::ser::SerializeMap;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// One metre per second in miles an hour (exact: 1 mile = 1609.344 m).
pub const MPH_PER_MPS: f64 = 3600.0 / 1609.344;

/// What is being tested: factor names with their values, in the order of the columns. Two setups are equal when every factor is, in
/// whatever order: another session's table may have its columns otherwise.
#[derive(Clone, Debug, Default)]
pub struct Setup(Vec<(String, String)>);

impl PartialEq for Setup {
    fn eq(&self, other: &Self) -> bool {
        self.0.len() == other.0.len() && self.iter().all(|(k, v)| other.get(k) == Some(v))
    }
}

impl Eq for Setup {}

impl Setup {
    /// A setup from (factor, value) pairs.
    pub fn new<K: Into<String>, V: Into<String>>(pairs: impl IntoIterator<Item = (K, V)>) -> Self {
        Self(pairs.into_iter().map(|(k, v)| (k.into(), v.into())).collect())
    }

    /// The value of a factor.
    pub fn get(&self, factor: &str) -> Option<&str> {
        self.0.iter().find(|(k, _)| k == factor).map(|(_, v)| v.as_str())
    }

    /// Factors and values in order.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(k, v)| (k.as_str(), v.as_str()))
    }

    /// Does every factor given here have the same value in `other`? An empty setup matches none.
    pub fn is_part_of(&self, other: &Setup) -> bool {
        !self.0.is_empty() && self.iter().all(|(k, v)| other.get(k) == Some(v))
    }

    /// The setup without one factor.
    pub fn without(&self, factor: &str) -> Setup {
        Setup(self.0.iter().filter(|(k, _)| k != factor).cloned().collect())
    }

    /// The one factor in which two setups differ; `None` when they differ in none or several.
    pub fn one_change<'a>(&'a self, other: &'a Setup) -> Option<&'a str> {
        let mut changed = None;
        let names = self.iter().map(|(k, _)| k);
        let names = names.chain(other.iter().map(|(k, _)| k).filter(|k| self.get(k).is_none()));
        for name in names {
            if self.get(name) != other.get(name) {
                if changed.is_some() {
                    return None;
                }
                changed = Some(name);
            }
        }
        changed
    }

    /// As a person types it: "pocket=low, mesh=soft"; empty where there are no factors.
    pub fn assignments(&self) -> String {
        self.0.iter().map(|(k, v)| format!("{k}={v}")).collect::<Vec<_>>().join(", ")
    }

    /// For a sentence: "pocket low, mesh soft"; "the only setup" where there are no factors.
    pub fn words(&self) -> String {
        if self.0.is_empty() {
            return "the only setup".into();
        }
        let word = |(k, v): &(String, String)| format!("{k} {}", if v.is_empty() { "not stated" } else { v });
        self.0.iter().map(word).collect::<Vec<_>>().join(", ")
    }
}

impl Serialize for Setup {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (k, v) in &self.0 {
            map.serialize_entry(k, v)?;
        }
        map.end()
    }
}

impl<'de> Deserialize<'de> for Setup {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Pairs;
        impl<'de> Visitor<'de> for Pairs {
            type Value = Setup;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a map of factor to value")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Setup, A::Error> {
                let mut pairs = Vec::new();
                while let Some(pair) = map.next_entry::<String, String>()? {
                    pairs.push(pair);
                }
                Ok(Setup(pairs))
            }
        }
        deserializer.deserialize_map(Pairs)
    }
}

/// How a volley came out of the photos.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum VolleyStatus {
    /// Nothing to remark.
    #[default]
    Ok,
    /// Usable, but a person should look at it.
    Look,
    /// Not usable; left out of the study.
    Failed,
}

/// One entry of the list of shots, in shooting order.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Shot {
    /// Name of its volley.
    pub volley: String,
    /// Status of its volley.
    pub status: VolleyStatus,
    /// What was being tested.
    pub setup: Setup,
    /// Ladder speed aimed at, m/s; `None`: found from the speeds.
    pub setpoint_mps: Option<f64>,
    /// Speed, m/s.
    pub speed_mps: f64,
    /// Release angle, rad.
    pub release: Estimate,
    /// Sideways angle, rad, positive to the right facing the wall.
    pub sideways: Estimate,
    /// Balls this entry stands for: 1, or more when merged; then the values are their means.
    pub count: u32,
    /// Known variance of the release angle that all shots of this volley have in common but other volleys do not
    /// (the photo's pose, the reading of the volley's speed), rad^2; 0 where none is known.
    pub volley_var: f64,
}

/// What the person asks of the study.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StudyOptions {
    /// The smallest difference worth caring about, rad.
    pub matters_rad: f64,
    /// The reference setup (some or all of its factors).
    pub reference: Option<Setup>,
    /// Allowed rate of false "differs", and of false "same", over the whole study.
    pub alpha: f64,
    /// Relative sensitivities of the true speed to the shared factors, in the order of the shots' `shared`:
    /// true speed = stated speed x (1 + sum(s_k z_k)). Empty: speeds taken as right. They move the
    /// speed at which the angle reaches zero.
    pub speed_shared_rel: Vec<f64>,
    /// Names of the shared factors, in the order of the shots' `shared`; for the results only.
    pub shared_factors: Vec<String>,
    /// Volleys that failed without leaving a shot in the list, so that they are named as left out.
    pub failed: Vec<String>,
}

impl Default for StudyOptions {
    /// 1 degree, no reference, 5 %, speeds taken as right.
    fn default() -> Self {
        Self {
            matters_rad: 1f64.to_radians(),
            reference: None,
            alpha: 0.05,
            speed_shared_rel: Vec::new(),
            shared_factors: Vec::new(),
            failed: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_change_names_the_factor() {
        let a = Setup::new([("pocket", "mid"), ("mesh", "soft")]);
        let b = Setup::new([("pocket", "low"), ("mesh", "soft")]);
        let c = Setup::new([("pocket", "low"), ("mesh", "hard")]);
        assert_eq!(a.one_change(&b), Some("pocket"));
        assert_eq!(a.one_change(&c), None);
        assert_eq!(a.one_change(&a), None);
        assert_eq!(a, Setup::new([("mesh", "soft"), ("pocket", "mid")]));
        assert_ne!(a, Setup::new([("mesh", "soft")]));
        assert!(Setup::new([("mesh", "soft")]).is_part_of(&b));
        assert!(!Setup::default().is_part_of(&b));
    }

    #[test]
    fn setup_keeps_its_order_through_json() {
        let a = Setup::new([("pocket", "mid"), ("head", "x"), ("ball", "new")]);
        let text = serde_json::to_string(&a).unwrap();
        assert_eq!(text, r#"{"pocket":"mid","head":"x","ball":"new"}"#);
        assert_eq!(serde_json::from_str::<Setup>(&text).unwrap(), a);
    }
}
