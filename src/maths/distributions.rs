//! Quantiles and tail probabilities of the usual distributions.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

/// Two-sided coverage factor of Student's t: P(|t| ≤ k) = `level` with `degrees_of_freedom` ν; the normal one when ν is
/// infinite (JCGM 100:2008, table G.2).
///
/// Gives NaN when ν isn't above zero or `level` not within 0 to 1.
pub fn coverage_factor(level: f64, degrees_of_freedom: f64) -> f64 {
    if !(level > 0.0 && level < 1.0) || degrees_of_freedom.is_nan() || degrees_of_freedom <= 0.0 {
        return f64::NAN;
    }
    let p = 0.5 + level / 2.0;
    // Beyond 1e6 the difference from the normal factor is under 1e-6.
    if degrees_of_freedom > 1e6 {
        return normal_quantile(p);
    }
    let student = StudentsT::new(0.0, 1.0, degrees_of_freedom).expect("positive degrees of freedom");
    let mut k = student.inverse_cdf(p);
    // The library's quantile is refined by Newton steps on its own distribution function, which is the more exact of the two.
    for _ in 0..3 {
        let step = (student.cdf(k) - p) / statrs::distribution::Continuous::pdf(&student, k);
        if !step.is_finite() || step.abs() > k.abs() {
            break;
        }
        k -= step;
    }
    k
}

/// Two-sided tail probability of Student's t: P(|T| ≥ |t|).
pub fn student_two_sided(t: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom > 1e6 {
        return 2.0 * standard_normal().sf(t.abs());
    }
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::NAN, |d| 2.0 * d.sf(t.abs()))
}

/// P(T ≤ t) of Student's t.
pub fn student_cdf(t: f64, degrees_of_freedom: f64) -> f64 {
    // Beyond a hundred thousand the difference from the normal distribution is under 1e-6.
    if degrees_of_freedom > 1e5 {
        return normal_cdf(t);
    }
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::NAN, |d| d.cdf(t))
}

/// P(χ² ≥ x) with ν degrees of freedom.
pub fn chi_square_tail(x: f64, degrees_of_freedom: f64) -> f64 {
    ChiSquared::new(degrees_of_freedom).map_or(f64::NAN, |d| d.sf(x.max(0.0)))
}

/// The value below which χ² with ν degrees of freedom lies with probability `p`.
pub fn chi_square_quantile(p: f64, degrees_of_freedom: f64) -> f64 {
    ChiSquared::new(degrees_of_freedom).map_or(f64::NAN, |d| d.inverse_cdf(p))
}

/// P(F ≥ f) with the given degrees of freedom of numerator and denominator.
pub fn f_tail(f: f64, numerator: f64, denominator: f64) -> f64 {
    FisherSnedecor::new(numerator, denominator).map_or(f64::NAN, |d| d.sf(f.max(0.0)))
}

/// The value below which F lies with probability `p`.
pub fn f_quantile(p: f64, numerator: f64, denominator: f64) -> f64 {
    FisherSnedecor::new(numerator, denominator).map_or(f64::NAN, |d| d.inverse_cdf(p))
}

/// The value below which a standard normal quantity lies with probability `p`.
pub fn normal_quantile(p: f64) -> f64 {
    standard_normal().inverse_cdf(p)
}

/// P(Z ≤ z) of a standard normal quantity.
pub fn normal_cdf(z: f64) -> f64 {
    standard_normal().cdf(z)
}

fn standard_normal() -> Normal {
    Normal::new(0.0, 1.0).expect("unit standard deviation")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> toml::Table {
        let file: toml::Table =
            toml::from_str(&std::fs::read_to_string("fixtures/uncertainty.toml").expect("fixture")).expect("toml");
        file["t_table"].as_table().unwrap().clone()
    }

    fn numbers(v: &toml::Value) -> Vec<f64> {
        let number = |x: &toml::Value| x.as_float().or_else(|| x.as_integer().map(|i| i as f64)).unwrap();
        v.as_array().unwrap().iter().map(number).collect()
    }

    /// JCGM 100:2008, table G.2 (its printed two decimals from memory; the eleven digits recomputed independently).
    #[test]
    fn coverage_factors_of_table_g2() {
        let table = table();
        let levels = [
            ("p6827", 0.682689492137086),
            ("p90", 0.90),
            ("p95", 0.95),
            ("p9545", 0.954499736103642),
            ("p99", 0.99),
            ("p9973", 0.997300203936740),
        ];
        let nus = numbers(&table["nu"]);
        for (column, level) in levels {
            for (nu, want) in nus.iter().zip(numbers(&table[column])) {
                let got = coverage_factor(level, *nu);
                // The table's eleven digits; the distribution function itself is good to about 1e-11 in the far tail.
                assert!(((got - want) / want).abs() < 2e-9, "{column} ν = {nu}: {got} for {want}");
            }
        }
        for ((_, level), want) in levels.iter().zip(numbers(&table["infinity"])) {
            assert!((coverage_factor(*level, f64::INFINITY) - want).abs() < 1e-8);
        }
    }

    #[test]
    fn tails_match_their_quantiles() {
        // F(9, 40) critical value 2.124 of GUM H.5 (JCGM 100:2008), recomputed to 2.124029264.
        assert!((f_quantile(0.95, 9.0, 40.0) - 2.124_029_264).abs() < 1e-6);
        assert!((f_tail(2.124_029_264, 9.0, 40.0) - 0.05).abs() < 1e-8);
        assert!((chi_square_tail(chi_square_quantile(0.9, 7.0), 7.0) - 0.1).abs() < 1e-8);
        assert!((student_two_sided(2.228_138_851_99, 10.0) - 0.05).abs() < 1e-9);
        assert!(coverage_factor(0.95, 0.0).is_nan());
    }
}
