//! What part of the scatter do the photos make?
//!
//! Shots that were photographed twice, with nothing fired in between, were measured twice: whatever differs is the photos' own.
//! With `d` the second reading of a mark less the first, a single photo's variance is `sum (d - mean d)^2 / (2 (n - 1))` for what
//! differs from mark to mark, pooled over the volleys, and half the mean square of `mean d`, less what the marks explain of it, for
//! what all marks of a photo have in common (duplicate measurements; JCGM 100:2008, 4.2, applied to differences).

use super::special::chi_squared_quantile;
use serde::{Deserialize, Serialize};

/// What duplicate photos show; angles in degrees.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PhotoRepeats {
    /// Volleys photographed twice.
    pub volleys: Vec<String>,
    /// Marks read in both photos.
    pub marks: usize,
    /// SD of one mark's angle from photo to photo, beyond what moves all marks of a photo alike; `None`: no volley has two such marks.
    pub mark_deg: Option<f64>,
    /// Lower end of its 95 % interval.
    pub mark_low_deg: Option<f64>,
    /// Upper end of its 95 % interval.
    pub mark_high_deg: Option<f64>,
    /// SD of what moves all marks of a photo alike.
    pub photo_deg: f64,
    /// Root mean square of the marks' own stated doubt. It holds more than a second photo can show: the speed's scatter, and how a mark
    /// lies about its ball.
    pub stated_deg: f64,
    /// Share of the shots' variance about their volley that the photos make, 0 to 1; `None` where either is not seen.
    pub share_of_scatter: Option<f64>,
    /// The finding in words.
    pub sentence: String,
}

/// One volley photographed twice.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PhotoPair {
    /// Its name.
    pub volley: String,
    /// Release angle of each mark from the first and from the second photo, rad.
    pub readings: Vec<(f64, f64)>,
    /// Stated own measurement variance of each, rad^2.
    pub stated_var: Vec<f64>,
}

/// What the pairs show; `within_deg`: SD of the shots about their volley. `None` without a mark that was read twice.
pub fn photo_repeats(pairs: &[PhotoPair], within_deg: Option<f64>, alpha: f64) -> Option<PhotoRepeats> {
    let used: Vec<&PhotoPair> = pairs.iter().filter(|p| !p.readings.is_empty()).collect();
    let marks: usize = used.iter().map(|p| p.readings.len()).sum();
    if marks == 0 {
        return None;
    }
    let (mut ss, mut df, mut means, mut inverse) = (0.0, 0.0, 0.0, 0.0);
    for p in &used {
        let d: Vec<f64> = p.readings.iter().map(|(a, b)| b - a).collect();
        let n = d.len() as f64;
        let mean = d.iter().sum::<f64>() / n;
        ss += d.iter().map(|d| (d - mean).powi(2)).sum::<f64>();
        df += n - 1.0;
        means += mean * mean;
        inverse += 1.0 / n;
    }
    let volleys = used.len() as f64;
    let mark_var = (df > 0.0).then(|| 0.5 * ss / df);
    let photo_var = (0.5 * means / volleys - mark_var.unwrap_or(0.0) * inverse / volleys).max(0.0);
    let sd = |v: f64| v.max(0.0).sqrt().to_degrees();
    let limit = |p: f64| mark_var.map(|v| sd(v * df / chi_squared_quantile(p, df)));
    let stated: Vec<f64> = used.iter().flat_map(|p| p.stated_var.iter().copied()).collect();
    let stated_deg = sd(stated.iter().sum::<f64>() / stated.len().max(1) as f64);
    let share = mark_var.zip(within_deg.filter(|w| *w > 0.0)).map(|(v, w)| (sd(v) / w).powi(2).min(1.0));
    let names: Vec<String> = used.iter().map(|p| p.volley.clone()).collect();
    let mut sentence = match mark_var {
        Some(v) => format!(
            "{marks} shots photographed twice: from photo to photo a shot's angle changes by {:.3} deg (typically)",
            sd(v)
        ),
        None => {
            format!("{marks} shots photographed twice, too few in a volley to tell single marks from the whole photo")
        }
    };
    if let Some(share) = share {
        let percent = 100.0 * share;
        let text = if percent < 1.0 { "less than 1".to_string() } else { format!("{percent:.0}") };
        sentence += &format!("; that is {text} % of the shots' scatter, the rest is not the photos'");
    }
    sentence += &format!(". All shots of a photo move together by {:.3} deg.", sd(photo_var));
    Some(PhotoRepeats {
        volleys: names,
        marks,
        mark_deg: mark_var.map(sd),
        mark_low_deg: limit(1.0 - 0.5 * alpha),
        mark_high_deg: limit(0.5 * alpha),
        photo_deg: sd(photo_var),
        stated_deg,
        share_of_scatter: share,
        sentence,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn duplicates_by_hand() {
        // Differences 1, 2, 3 and 5, 5 (mrad): about their means 2 + 0, three degrees of freedom: variance 2 / 3 / 2 = 1/3.
        // Means 2 and 5: (4 + 25) / 2 / 2 = 7.25, less 1/3 (1/3 + 1/2) / 2 = 0.1389.
        let pair = |d: &[f64]| PhotoPair {
            volley: "1".into(),
            readings: d.iter().map(|d| (0.2, 0.2 + 1e-3 * d)).collect(),
            stated_var: vec![1e-6; d.len()],
        };
        let r = photo_repeats(&[pair(&[1.0, 2.0, 3.0]), pair(&[5.0, 5.0])], Some(1.0), 0.05).unwrap();
        let mrad = 1e-3f64.to_degrees();
        assert!((r.mark_deg.unwrap() / mrad - (1.0f64 / 3.0).sqrt()).abs() < 1e-9, "{r:?}");
        assert!((r.photo_deg / mrad - (7.25f64 - 0.1388888888888889).sqrt()).abs() < 1e-9, "{r:?}");
        assert!((r.stated_deg / mrad - 1.0).abs() < 1e-12 && r.marks == 5);
        assert_eq!(photo_repeats(&[], None, 0.05), None);
        assert!(photo_repeats(&[pair(&[1.0])], None, 0.05).unwrap().mark_deg.is_none());
    }

    #[test]
    fn the_interval_holds_and_the_parts_are_told_apart() {
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let (trials, mark, photo) = (1000, 0.001, 0.003);
        let (mut held, mut photo_sum) = (0, 0.0);
        for _ in 0..trials {
            let pairs: Vec<PhotoPair> = (0..4)
                .map(|v| {
                    let both = [photo * normal(), photo * normal()];
                    let readings = (0..5).map(|_| (both[0] + mark * normal(), both[1] + mark * normal())).collect();
                    PhotoPair { volley: v.to_string(), readings, stated_var: vec![mark * mark; 5] }
                })
                .collect();
            let r = photo_repeats(&pairs, Some(0.5), 0.05).unwrap();
            let truth = mark.to_degrees();
            held += usize::from(r.mark_low_deg.unwrap() <= truth && truth <= r.mark_high_deg.unwrap());
            photo_sum += r.photo_deg.to_radians().powi(2);
        }
        // Three standard errors of 95 % in 1000: 2.1 %; of the mean variance (4 volleys each, chi-squared): 3 sqrt(2/4000) = 7 %.
        assert!((held as f64 / trials as f64 - 0.95).abs() < 0.021, "{held}");
        assert!((photo_sum / trials as f64 / photo.powi(2) - 1.0).abs() < 0.08, "{photo_sum}");
    }
}
