//! The uncertainty budget of the GUM (JCGM 100:2008): propagation with correlations, effective degrees of freedom, coverage,
//! and rounding.

use serde::{Deserialize, Serialize};

use super::distributions::{coverage_factor, student_cdf};

/// An input of a measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Input {
    pub name: String,
    pub value: f64,
    pub standard_uncertainty: f64,
    /// Degrees of freedom of the standard uncertainty; infinite when it is taken as exactly known.
    pub degrees_of_freedom: f64,
}

impl Input {
    pub fn new(name: &str, value: f64, standard_uncertainty: f64, degrees_of_freedom: f64) -> Self {
        Self { name: name.to_owned(), value, standard_uncertainty, degrees_of_freedom }
    }
}

/// A result of propagation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Propagated {
    pub value: f64,
    pub combined_standard_uncertainty: f64,
    /// ∂f/∂xᵢ.
    pub sensitivities: Vec<f64>,
    /// Sensitivity times standard uncertainty, signed.
    pub contributions: Vec<f64>,
    pub effective_degrees_of_freedom: f64,
}

impl Propagated {
    /// Expanded uncertainty and its coverage factor at a level of confidence, with the effective degrees of freedom
    /// truncated to an integer as G.4.1 has it.
    pub fn expanded(&self, level: f64) -> (f64, f64) {
        let truncated = self.effective_degrees_of_freedom.floor();
        let k = coverage_factor(level, if truncated >= 1.0 { truncated } else { self.effective_degrees_of_freedom });
        (k * self.combined_standard_uncertainty, k)
    }
}

/// Propagates independent inputs through `model`, first order (5.1.2); sensitivities by central differences.
pub fn propagate(inputs: &[Input], model: impl Fn(&[f64]) -> f64) -> Propagated {
    let n = inputs.len();
    propagate_correlated(inputs, &identity(n), model)
}

/// The same with the matrix of correlation coefficients of the inputs (5.2.2).
pub fn propagate_correlated(inputs: &[Input], correlation: &[Vec<f64>], model: impl Fn(&[f64]) -> f64) -> Propagated {
    let values: Vec<f64> = inputs.iter().map(|i| i.value).collect();
    let sensitivities = sensitivities(inputs, &values, &model);
    let contributions: Vec<f64> = sensitivities.iter().zip(inputs).map(|(c, i)| c * i.standard_uncertainty).collect();
    let variance = covariance_of(&contributions, &contributions, correlation);
    let combined = variance.max(0.0).sqrt();
    Propagated {
        value: model(&values),
        combined_standard_uncertainty: combined,
        effective_degrees_of_freedom: welch_satterthwaite(
            combined,
            contributions.iter().zip(inputs).map(|(c, i)| (*c, i.degrees_of_freedom)),
        ),
        sensitivities,
        contributions,
    }
}

/// Covariance of two results that share correlated inputs, from their contributions (H.2.3).
pub fn covariance_of(first: &[f64], second: &[f64], correlation: &[Vec<f64>]) -> f64 {
    let row = |i: usize| second.iter().zip(&correlation[i]).map(|(b, r)| b * r).sum::<f64>();
    first.iter().enumerate().map(|(i, a)| a * row(i)).sum()
}

/// Effective degrees of freedom u_c⁴ / Σ(uᵢ⁴/νᵢ) (G.4.1), for independent contributions; infinite when none is finite.
pub fn welch_satterthwaite(combined: f64, contributions: impl Iterator<Item = (f64, f64)>) -> f64 {
    let below: f64 = contributions.filter(|(_, nu)| nu.is_finite()).map(|(u, nu)| u.powi(4) / nu).sum();
    if below > 0.0 { combined.powi(4) / below } else { f64::INFINITY }
}

/// Coverage factor of the sum of a rectangular part and a part with `degrees_of_freedom`, as a multiple of the combined
/// standard uncertainty.
///
/// The plain factor of G.3 supposes a sum near to normal. Where one rectangular input dominates, that overstates the interval
/// (JCGM 101:2008, 9.2.4, finds 17.0 where it gives 19.9), so here the two parts are convolved. Other rectangular inputs,
/// smaller than the greatest, are taken with the rest.
pub fn coverage_factor_with_rectangular(level: f64, rest_u: f64, degrees_of_freedom: f64, rectangular_u: f64) -> f64 {
    let combined = rest_u.hypot(rectangular_u);
    // Below a fifth of the combined uncertainty the shape changes the factor by less than half a per cent.
    if rectangular_u.abs() < 0.2 * combined {
        return coverage_factor(level, degrees_of_freedom);
    }
    let half = 3f64.sqrt() * rectangular_u.abs();
    if rest_u < 1e-9 * half {
        return level * half / combined;
    }
    let inside = |expanded: f64| {
        // Midpoints of equal slices of the rectangle.
        const SLICES: usize = 64;
        let middle = |i: usize| half * ((2 * i + 1) as f64 / SLICES as f64 - 1.0);
        let part = |r: f64| {
            student_cdf((expanded - r) / rest_u, degrees_of_freedom)
                - student_cdf((-expanded - r) / rest_u, degrees_of_freedom)
        };
        (0..SLICES).map(|i| part(middle(i))).sum::<f64>() / SLICES as f64
    };
    let (mut low, mut high) = (0.0, half + coverage_factor(0.9999, degrees_of_freedom) * rest_u);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if inside(middle) < level { low = middle } else { high = middle }
    }
    0.5 * (low + high) / combined
}

/// Degrees of freedom of a standard uncertainty that is itself known to a relative `doubt`: ½·doubt⁻² (G.4.2).
pub fn degrees_of_freedom_from_doubt(doubt: f64) -> f64 {
    if doubt > 0.0 { 0.5 / (doubt * doubt) } else { f64::INFINITY }
}

/// Second-order terms of the variance, ½(∂²f/∂xᵢ∂xⱼ)² + ∂f/∂xᵢ·∂³f/∂xᵢ∂xⱼ² summed with u²ᵢu²ⱼ (note to 5.1.2).
pub fn second_order_variance(inputs: &[Input], model: impl Fn(&[f64]) -> f64) -> f64 {
    let values: Vec<f64> = inputs.iter().map(|i| i.value).collect();
    // Differences over whole standard uncertainties keep the high derivatives above rounding.
    let at = |moves: &[(usize, f64)]| {
        let mut x = values.clone();
        for &(i, h) in moves {
            x[i] += h * inputs[i].standard_uncertainty;
        }
        model(&x)
    };
    let mut total = 0.0;
    for i in 0..inputs.len() {
        for j in 0..inputs.len() {
            if inputs[i].standard_uncertainty == 0.0 || inputs[j].standard_uncertainty == 0.0 {
                continue;
            }
            let first = (at(&[(i, 1.0)]) - at(&[(i, -1.0)])) / 2.0;
            let corner = |a: f64, b: f64| at(&[(i, a), (j, b)]);
            let second = if i == j {
                at(&[(i, 1.0)]) - 2.0 * at(&[]) + at(&[(i, -1.0)])
            } else {
                (corner(1.0, 1.0) - corner(1.0, -1.0) - corner(-1.0, 1.0) + corner(-1.0, -1.0)) / 4.0
            };
            let bend = |a: f64| corner(a, 1.0) - 2.0 * at(&[(i, a)]) + corner(a, -1.0);
            let third = if i == j {
                (at(&[(i, 2.0)]) - 2.0 * at(&[(i, 1.0)]) + 2.0 * at(&[(i, -1.0)]) - at(&[(i, -2.0)])) / 2.0
            } else {
                (bend(1.0) - bend(-1.0)) / 2.0
            };
            total += 0.5 * second * second + first * third;
        }
    }
    total
}

fn identity(n: usize) -> Vec<Vec<f64>> {
    (0..n).map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect()).collect()
}

fn sensitivities(inputs: &[Input], values: &[f64], model: &impl Fn(&[f64]) -> f64) -> Vec<f64> {
    let mut moved = values.to_vec();
    inputs
        .iter()
        .enumerate()
        .map(|(i, input)| {
            // A hundredth of the standard uncertainty: small beside the curvature, large beside rounding.
            let step = if input.standard_uncertainty > 0.0 {
                0.01 * input.standard_uncertainty
            } else {
                f64::EPSILON.cbrt() * values[i].abs().max(1.0)
            };
            moved[i] = values[i] + step;
            let above = model(&moved);
            moved[i] = values[i] - step;
            let below = model(&moved);
            moved[i] = values[i];
            (above - below) / (2.0 * step)
        })
        .collect()
}

/// A value and its uncertainty rounded together (7.2.6): the uncertainty to two significant digits, the value to the same
/// decimal place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rounded {
    pub value: String,
    pub uncertainty: String,
    /// Decimal place of the last digit: 3 for thousandths, −1 for tens.
    pub decimals: i32,
}

/// Rounds `uncertainty` to `digits` significant digits and `value` to the same place.
///
/// An uncertainty is rounded up where rounding to nearest would take away more than 4 % of it (10.47 → 11, but
/// 28.05 → 28): 7.2.6 asks for common sense there and gives these two as examples; the limit is ours. `None` when either
/// isn't finite or the uncertainty isn't above zero.
pub fn round_together(value: f64, uncertainty: f64, digits: u32) -> Option<Rounded> {
    if !(value.is_finite() && uncertainty.is_finite() && uncertainty > 0.0) {
        return None;
    }
    let leading = uncertainty.log10().floor() as i32;
    let decimals = digits as i32 - 1 - leading;
    let in_units = scale_by_ten(uncertainty, decimals);
    let nearest = in_units.round();
    let units = if (in_units - nearest) / in_units > 0.04 { in_units.ceil() } else { nearest };
    // 9.96 rounds to 10: one digit fewer keeps two.
    if units >= 10f64.powi(digits as i32) {
        return Some(write_rounded(value, units / 10.0, decimals - 1));
    }
    Some(write_rounded(value, units, decimals))
}

fn write_rounded(value: f64, units: f64, decimals: i32) -> Rounded {
    let places = decimals.max(0) as usize;
    let value_units = scale_by_ten(value, decimals).round();
    let back = |u: f64| scale_by_ten(u, -decimals);
    // Adding nought turns −0 into 0.
    Rounded {
        value: format!("{:.places$}", back(value_units) + 0.0),
        uncertainty: format!("{:.places$}", back(units)),
        decimals,
    }
}

fn scale_by_ten(x: f64, power: i32) -> f64 {
    if power >= 0 { x * 10f64.powi(power) } else { x / 10f64.powi(-power) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::least_squares::polynomial_fit;

    fn example(name: &str) -> toml::Table {
        let file: toml::Table =
            toml::from_str(&std::fs::read_to_string("fixtures/uncertainty.toml").expect("fixture")).expect("toml");
        file[name].as_table().unwrap().clone()
    }

    fn number(v: &toml::Value) -> f64 {
        v.as_float().or_else(|| v.as_integer().map(|i| i as f64)).unwrap()
    }

    fn numbers(v: &toml::Value) -> Vec<f64> {
        v.as_array().unwrap().iter().map(number).collect()
    }

    fn assert_close(got: f64, want: f64, relative: f64, what: &str) {
        assert!(((got - want) / want).abs() < relative, "{what}: {got} for {want}");
    }

    const INF: f64 = f64::INFINITY;

    /// JCGM 100:2008, H.1: end-gauge calibration.
    #[test]
    fn end_gauge_of_annex_h1() {
        let h1 = example("gum_h1");
        let of = |key: &str| number(&h1[key]);
        let (parts, part_nus) = (numbers(&h1["u_d_parts"]), numbers(&h1["nu_d_parts"]));
        let u_d = parts.iter().map(|u| u * u).sum::<f64>().sqrt();
        let nu_d = welch_satterthwaite(u_d, parts.into_iter().zip(part_nus));
        let u_theta = of("u_theta_mean").hypot(of("delta_arcsine_half_width") / 2f64.sqrt());
        let rectangular = |half: f64| half / 3f64.sqrt();
        let inputs = [
            Input::new("ls", of("ls"), of("u_ls"), of("nu_ls")),
            Input::new("d", of("d"), u_d, nu_d),
            Input::new("alpha_s", of("alpha_s"), rectangular(of("alpha_s_half_width")), INF),
            Input::new("theta", of("theta_mean"), u_theta, INF),
            Input::new("delta_alpha", 0.0, rectangular(of("delta_alpha_half_width")), of("nu_delta_alpha")),
            Input::new("delta_theta", 0.0, rectangular(of("delta_theta_half_width")), of("nu_delta_theta")),
        ];
        let model = |x: &[f64]| x[0] + x[1] - x[0] * (x[4] * x[3] + x[2] * x[5]);
        let result = propagate(&inputs, model);
        let want = h1["computed"].as_table().unwrap();
        // Differences of numbers near 5e7 nm leave about 1e-8 nm of rounding over steps of hundredths.
        assert_close(result.value, number(&want["l"]), 1e-12, "l");
        assert_close(result.combined_standard_uncertainty, number(&want["u_c"]), 1e-6, "u_c");
        assert_close(result.effective_degrees_of_freedom, number(&want["nu_eff"]), 1e-5, "nu_eff");
        let (expanded, k) = result.expanded(0.99);
        assert_close(k, number(&want["t99_16"]), 1e-8, "t99");
        assert_close(expanded, number(&want["U99"]), 1e-6, "U99");
        let contributions = numbers(&want["contributions"]);
        let got = [0, 1, 4, 5].map(|i: usize| result.contributions[i].abs());
        for (g, w) in got.iter().zip(contributions) {
            assert_close(*g, w, 1e-5, "contribution");
        }
        let second = result.combined_standard_uncertainty.powi(2) + second_order_variance(&inputs, model);
        assert_close(second.sqrt(), number(&want["u_c_second_order"]), 1e-5, "second order");
    }

    fn mean_and_u(values: &[f64]) -> (f64, f64) {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let ss: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        (mean, (ss / (n - 1.0) / n).sqrt())
    }

    fn correlation(a: &[f64], b: &[f64]) -> f64 {
        let (ma, ua) = mean_and_u(a);
        let (mb, ub) = mean_and_u(b);
        let n = a.len() as f64;
        a.iter().zip(b).map(|(x, y)| (x - ma) * (y - mb)).sum::<f64>() / (n * (n - 1.0)) / (ua * ub)
    }

    /// JCGM 100:2008, H.2: resistance and reactance measured together, inputs correlated.
    #[test]
    fn resistance_and_reactance_of_annex_h2() {
        let h2 = example("gum_h2");
        let series = [numbers(&h2["v"]), numbers(&h2["i_mA"]), numbers(&h2["phi"])];
        let inputs: Vec<Input> = series
            .iter()
            .zip(["V", "I", "phi"])
            .map(|(s, name)| {
                let (mean, u) = mean_and_u(s);
                Input::new(name, mean, u, 4.0)
            })
            .collect();
        let r: Vec<Vec<f64>> = (0..3).map(|i| (0..3).map(|j| correlation(&series[i], &series[j])).collect()).collect();
        let want = h2["computed"].as_table().unwrap();
        let of = |key: &str| number(&want[key]);
        assert_close(r[0][2], of("r_vphi"), 1e-9, "r");
        let ohm = |x: &[f64]| 1000.0 * x[0] / x[1];
        let resistance = propagate_correlated(&inputs, &r, |x| ohm(x) * x[2].cos());
        let reactance = propagate_correlated(&inputs, &r, |x| ohm(x) * x[2].sin());
        let impedance = propagate_correlated(&inputs, &r, ohm);
        for (result, value, u) in [(&resistance, "R", "u_R"), (&reactance, "X", "u_X"), (&impedance, "Z", "u_Z")] {
            assert_close(result.value, of(value), 1e-12, value);
            // Central differences over a hundredth of u: truncation about 1e-9.
            assert_close(result.combined_standard_uncertainty, of(u), 1e-6, u);
        }
        let covariance = covariance_of(&resistance.contributions, &reactance.contributions, &r);
        let r_rx = covariance / (resistance.combined_standard_uncertainty * reactance.combined_standard_uncertainty);
        assert_close(r_rx, of("r_RX"), 1e-6, "r(R, X)");
        // What a tool that drops the covariances gives is another number.
        let alone = propagate(&inputs, |x| ohm(x) * x[2].cos());
        assert_close(alone.combined_standard_uncertainty, of("u_R_ignoring_correlation"), 1e-6, "ignoring");
    }

    /// JCGM 100:2008, H.3: calibration line of a thermometer.
    #[test]
    fn thermometer_of_annex_h3() {
        let h3 = example("gum_h3");
        let t: Vec<f64> = numbers(&h3["t"]).iter().map(|t| t - number(&h3["t0"])).collect();
        let fit = polynomial_fit(&t, &numbers(&h3["b"]), None, 1).unwrap();
        let want = h3["computed"].as_table().unwrap();
        let of = |key: &str| number(&want[key]);
        let covariance = fit.covariance();
        assert_close(fit.estimate[0], of("y1"), 1e-12, "y1");
        assert_close(fit.standard_error[0], of("s_y1"), 1e-11, "s(y1)");
        assert_close(fit.standard_error[1], of("s_y2"), 1e-11, "s(y2)");
        assert_close(covariance[0][1], of("cov"), 1e-11, "cov");
        let r = covariance[0][1] / (fit.standard_error[0] * fit.standard_error[1]);
        let inputs = [0, 1].map(|i: usize| Input::new("y", fit.estimate[i], fit.standard_error[i], 9.0));
        let at_30 = propagate_correlated(&inputs, &[vec![1.0, r], vec![r, 1.0]], |y| y[0] + 10.0 * y[1]);
        assert_close(at_30.value, of("b30"), 1e-11, "b(30)");
        assert_close(at_30.combined_standard_uncertainty, of("u_b30"), 1e-9, "u(b(30))");
        let expanded = coverage_factor(0.95, fit.degrees_of_freedom as f64) * at_30.combined_standard_uncertainty;
        assert_close(expanded, of("U95_b30"), 1e-8, "U95");
    }

    /// JCGM 100:2008, H.4: radon activity by liquid scintillation counting, first approach (ratio of means, correlated).
    #[test]
    fn radon_of_annex_h4() {
        let h4 = example("gum_h4");
        let lambda = number(&h4["lambda_per_min"]);
        let list = |key: &str| numbers(&h4[key]);
        let (cb, cs, cx, ts, tx) = (list("cb"), list("cs"), list("cx"), list("ts"), list("tx"));
        let rate = |c: &[f64], t: &[f64]| -> Vec<f64> {
            (0..6).map(|i| (c[i] - cb[i]) / 60.0 * (lambda * t[i]).exp()).collect()
        };
        let (rx, rs) = (rate(&cx, &tx), rate(&cs, &ts));
        let want = h4["computed"].as_table().unwrap();
        let of = |key: &str| number(&want[key]);
        let ((mx, ux), (ms, us)) = (mean_and_u(&rx), mean_and_u(&rs));
        let r = correlation(&rx, &rs);
        assert_close(mx, of("Rx"), 1e-9, "Rx");
        assert_close(us, of("s_Rs"), 1e-9, "s(Rs)");
        assert_close(r, of("r"), 1e-9, "r");
        let pair = |key: &str| {
            let v = numbers(&h4[key]);
            Input::new(key, v[0], v[1], INF)
        };
        let inputs =
            [pair("A_S"), pair("m_S"), pair("m_x"), Input::new("Rx", mx, ux, 5.0), Input::new("Rs", ms, us, 5.0)];
        let mut correlations = identity(5);
        (correlations[3][4], correlations[4][3]) = (r, r);
        let activity = propagate_correlated(&inputs, &correlations, |x| x[0] * x[1] / x[2] * x[3] / x[4]);
        assert_close(activity.value, of("A_x"), 1e-9, "A_x");
        assert_close(activity.combined_standard_uncertainty, of("u_A_x"), 1e-5, "u(A_x)");
    }

    /// JCGM 100:2008, H.5: ten days of readings, analysed for a between-day effect (values from memory, as the fixture says).
    #[test]
    fn days_of_annex_h5() {
        let h5 = example("gum_h5");
        let (means, sds) = (numbers(&h5["day_mean"]), numbers(&h5["day_sd"]));
        let per_day = number(&h5["per_day"]);
        let (mean, u_between) = mean_and_u(&means);
        let between = u_between * 10f64.sqrt();
        let within = (sds.iter().map(|s| s * s).sum::<f64>() / 10.0).sqrt();
        let f = per_day * between * between / (within * within);
        let want = h5["computed"].as_table().unwrap();
        assert_close(mean, number(&want["mean_uV"]), 1e-12, "mean");
        assert_close(f, number(&want["F"]), 1e-9, "F");
        assert_close(u_between, number(&want["u_mean_between"]), 1e-9, "u");
        assert_close(crate::maths::distributions::f_tail(f, 9.0, 40.0), number(&want["p_value_F"]), 1e-8, "p");
        assert_close(crate::maths::distributions::f_quantile(0.95, 9.0, 40.0), number(&want["F95_9_40"]), 1e-8, "F95");
    }

    /// NIST Technical Note 1900, example E13: coefficient of thermal expansion, few degrees of freedom.
    #[test]
    fn thermal_expansion_of_tn_1900() {
        let e13 = example("nist_tn1900_e13");
        let inputs = [
            Input::new("L0", 1.4999, 0.0001, 3.0),
            Input::new("T0", 288.15, 0.02, 3.0),
            Input::new("L1", 1.5021, 0.0002, 3.0),
            Input::new("T1", 373.10, 0.05, 3.0),
        ];
        let result = propagate(&inputs, |x| (x[2] - x[0]) / (x[0] * (x[3] - x[1])));
        assert_close(result.value, number(&e13["computed_A"]), 1e-9, "A");
        assert_close(result.combined_standard_uncertainty, number(&e13["computed_u"]), 1e-6, "u(A)");
        assert_close(result.effective_degrees_of_freedom, number(&e13["computed_nu_eff"]), 1e-5, "nu");
    }

    /// JCGM 101:2008, 9.2.4: three rectangular inputs of unit standard deviation and one of ten.
    #[test]
    fn a_dominant_rectangular_input_shortens_the_interval() {
        let want = example("jcgm101")["additive_dominant"]["computed_half_width"].as_float().unwrap();
        let k = coverage_factor_with_rectangular(0.95, 3f64.sqrt(), INF, 10.0);
        // The three smaller inputs are taken as normal: within 0.2 % of the half-width.
        assert_close(k * (103f64).sqrt(), want, 2e-3, "half-width");
        assert_close(coverage_factor_with_rectangular(0.95, 0.0, INF, 1.0), 0.95 * 3f64.sqrt(), 1e-12, "alone");
        let plain = coverage_factor(0.95, 12.0);
        // The rectangular part also makes the sum nearer to normal than t with 12 degrees of freedom is.
        assert_close(coverage_factor_with_rectangular(0.95, 1.0, 12.0, 0.21), plain, 6e-3, "hardly any");
    }

    /// JCGM 100:2008, 7.2.2 to 7.2.6 (examples from memory, as the fixture says).
    #[test]
    fn results_are_rounded_as_7_2_6_has_it() {
        let rounded = |v, u| {
            let r = round_together(v, u, 2).unwrap();
            (r.value, r.uncertainty)
        };
        assert_eq!(rounded(10.05762, 0.027), ("10.058".into(), "0.027".into()));
        assert_eq!(rounded(100.02147, 0.00035), ("100.02147".into(), "0.00035".into()));
        assert_eq!(rounded(0.0, 10.47), ("0".into(), "11".into()));
        assert_eq!(rounded(0.0, 28.05), ("0".into(), "28".into()));
        assert_eq!(rounded(1234.5, 996.0), ("1200".into(), "1000".into()));
        assert_eq!(rounded(-0.004, 0.12), ("0.00".into(), "0.12".into()));
        assert_eq!(round_together(1.0, f64::NAN, 2), None);
        assert_eq!(round_together(1.0, 0.0, 2), None);
    }
}
