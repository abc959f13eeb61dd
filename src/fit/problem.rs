//! The sum of squares of a fit in the picture: reprojection residuals over their covariances, and what is known beforehand.

use nalgebra::{DMatrix, DMatrixViewMut, DVector, Vector2};

use super::bends::Bends;
use super::motion::{Lever, Motion, Slopes, State};
use super::noise::scale_of;
use super::terms::{Quantity, Term, Terms};
use super::view::FlightView;
use crate::maths::nonlinear::Residuals;
use crate::sight::Sighting;
use crate::units::{Covariance2, MetrePoint, PixelPoint};

/// One flight as the solver sees it.
pub(super) struct Track<'a> {
    pub sightings: &'a [Sighting],
    /// Where the flight's parameters hold: this time, s, and this share of the readout after it.
    pub reference_s: f64,
    pub reference_row: f64,
    /// Weight of each sighting, 0 to 1.
    pub weights: Vec<f64>,
}

/// The whole problem: flights, shared terms, the camera.
pub(super) struct Problem<'a> {
    pub tracks: Vec<Track<'a>>,
    pub terms: Terms,
    pub motion: Motion,
    pub view: &'a dyn FlightView,
    pub bends: Bends,
    /// What is expected of each bend, in its standard uncertainties.
    pub expected_bends: Vec<f64>,
    /// Divides the residuals of sightings, not those of prior knowledge: the factor by which the sightings turned out
    /// worse than their covariances say.
    pub noise_scale: f64,
}

/// All quantities that the flights share, found or told.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shared {
    pub gravity: f64,
    pub horizontal_acceleration: f64,
    pub roll: f64,
    pub readout: f64,
    pub drag_factor: f64,
    pub drag_exponent: f64,
    pub clock_rate: f64,
}

impl Shared {
    /// True seconds of so many on the clock.
    pub fn true_s(&self, stated_s: f64) -> f64 {
        stated_s * (1.0 + self.clock_rate)
    }

    /// Acceleration in the flight plane, m/s².
    pub fn field(&self) -> (f64, f64) {
        let (sin, cos) = self.roll.sin_cos();
        (self.horizontal_acceleration + self.gravity * sin, -self.gravity * cos)
    }
}

impl Problem<'_> {
    /// The term of a shared quantity; the readout falls back on the camera's.
    pub fn term(&self, quantity: Quantity) -> Term {
        match quantity {
            Quantity::Gravity => self.terms.gravity,
            Quantity::HorizontalAcceleration => self.terms.horizontal_acceleration,
            Quantity::Roll => self.terms.roll,
            Quantity::Readout => self.terms.readout.unwrap_or(Term::Fixed(self.view.readout_s())),
            Quantity::DragFactor => self.terms.drag_factor,
            Quantity::DragExponent => self.terms.drag_exponent,
            Quantity::ClockRate => self.terms.clock_rate,
            Quantity::X0 | Quantity::Y0 | Quantity::Vx | Quantity::Vy => Term::Free,
            Quantity::Camera(knob) => {
                let value = self.expected_bends.get(knob).copied().unwrap_or(0.0);
                Term::Known { value, standard_uncertainty: 1.0 }
            }
        }
    }

    /// The quantity behind each entry of the parameter vector; own quantities come flight by flight, then the shared ones.
    pub fn layout(&self) -> Vec<(Option<usize>, Quantity)> {
        let own = (0..self.tracks.len()).flat_map(|f| Quantity::OWN.map(|q| (Some(f), q)));
        let shared = Quantity::SHARED.into_iter().filter(|&q| !self.term(q).is_fixed()).map(|q| (None, q));
        own.chain(shared).chain((0..self.bends.count()).map(|knob| (None, Quantity::Camera(knob)))).collect()
    }

    /// The camera's inputs in a parameter vector: its last entries.
    fn shifts<'p>(&self, parameters: &'p [f64]) -> &'p [f64] {
        &parameters[parameters.len() - self.bends.count()..]
    }

    /// Where a point of the flight plane is seen.
    pub fn pixel_from_metre(&self, parameters: &[f64], at: MetrePoint) -> Option<PixelPoint> {
        self.bends.pixel_from_metre(self.view, self.shifts(parameters), at)
    }

    /// The point of the flight plane seen at a pixel.
    pub fn metre_from_pixel(&self, parameters: &[f64], at: PixelPoint) -> Option<MetrePoint> {
        self.bends.metre_from_pixel(self.view, self.shifts(parameters), at)
    }

    pub fn shared(&self, parameters: &[f64]) -> Shared {
        let mut next = 4 * self.tracks.len();
        let mut value = |quantity| match self.term(quantity) {
            Term::Fixed(value) => value,
            Term::Free | Term::Known { .. } => {
                next += 1;
                parameters[next - 1]
            }
        };
        // In the order of `Quantity::SHARED`.
        Shared {
            gravity: value(Quantity::Gravity),
            horizontal_acceleration: value(Quantity::HorizontalAcceleration),
            roll: value(Quantity::Roll),
            readout: value(Quantity::Readout),
            drag_factor: value(Quantity::DragFactor),
            drag_exponent: value(Quantity::DragExponent),
            clock_rate: value(Quantity::ClockRate),
        }
    }

    pub fn start_of(&self, flight: usize, parameters: &[f64]) -> State {
        let p = &parameters[4 * flight..4 * flight + 4];
        State { x: p[0], y: p[1], vx: p[2], vy: p[3] }
    }

    /// State at each sighting of a flight, each at the time when the ball's own row was exposed.
    pub fn states(&self, flight: usize, parameters: &[f64]) -> Option<Vec<State>> {
        let shared = self.shared(parameters);
        self.moved(self.start_of(flight, parameters), &shared, &self.taus(flight, &shared))
    }

    /// True times of a flight's sightings after its own, s.
    fn taus(&self, flight: usize, shared: &Shared) -> Vec<f64> {
        let track = &self.tracks[flight];
        let row_time = |s: &Sighting| shared.readout * (self.view.row_fraction(s.centre_px) - track.reference_row);
        track.sightings.iter().map(|s| shared.true_s(s.time_s + row_time(s) - track.reference_s)).collect()
    }

    /// States at the times `taus_s` after `start`.
    pub fn moved(&self, start: State, shared: &Shared, taus_s: &[f64]) -> Option<Vec<State>> {
        let motion = self.motion.with_drag_exponent(shared.drag_exponent);
        motion.states(start, shared.field(), shared.drag_factor, taus_s)
    }

    /// Measured minus fitted, px.
    pub fn pixel_residuals(&self, flight: usize, parameters: &[f64]) -> Option<Vec<PixelPoint>> {
        let states = self.states(flight, parameters)?;
        let difference = |(state, s): (&State, &Sighting)| {
            let seen = self.pixel_from_metre(parameters, MetrePoint::new(state.x, state.y))?;
            Some(PixelPoint::new(s.centre_px.x - seen.x, s.centre_px.y - seen.y))
        };
        states.iter().zip(self.tracks[flight].sightings).map(difference).collect()
    }

    /// Joint distance of each sighting from the fit in units of its covariance: √(rᵀ C⁻¹ r).
    pub fn distances(&self, flight: usize, parameters: &[f64]) -> Option<Vec<f64>> {
        let residuals = self.pixel_residuals(flight, parameters)?;
        let distance = |(r, s): (&PixelPoint, &Sighting)| {
            let (a, b) = whiten(*r, s.covariance_px2);
            a.hypot(b)
        };
        Some(residuals.iter().zip(self.tracks[flight].sightings).map(distance).collect())
    }

    /// Residuals of one flight over their covariances, weights and the noise found.
    fn flight_residuals(&self, flight: usize, parameters: &[f64]) -> Option<Vec<f64>> {
        let track = &self.tracks[flight];
        let residuals = self.pixel_residuals(flight, parameters)?;
        let white = |((r, s), w): ((&PixelPoint, &Sighting), &f64)| {
            let (a, b) = whiten(*r, s.covariance_px2);
            let factor = w.sqrt() / scale_of(s, self.noise_scale);
            [a * factor, b * factor]
        };
        Some(residuals.iter().zip(track.sightings).zip(&track.weights).flat_map(white).collect())
    }

    /// Place in the parameter vector, value and standard uncertainty of what is known beforehand.
    fn priors(&self) -> Vec<(usize, f64, f64)> {
        let entries = self.layout().into_iter().enumerate().skip(4 * self.tracks.len());
        entries
            .filter_map(|(index, (_, quantity))| match self.term(quantity) {
                Term::Known { value, standard_uncertainty } => Some((index, value, standard_uncertainty)),
                Term::Free | Term::Fixed(_) => None,
            })
            .collect()
    }

    /// Number of residuals that come from sightings; those of prior knowledge follow them.
    pub fn sighting_residuals(&self) -> usize {
        self.tracks.iter().map(|t| 2 * t.sightings.len()).sum()
    }
}

impl Residuals for Problem<'_> {
    fn len(&self) -> usize {
        self.sighting_residuals() + self.priors().len()
    }

    fn residuals(&self, parameters: &[f64]) -> Option<DVector<f64>> {
        let mut all = Vec::with_capacity(self.len());
        for flight in 0..self.tracks.len() {
            all.extend(self.flight_residuals(flight, parameters)?);
        }
        all.extend(self.priors().into_iter().map(|(index, value, u)| (value - parameters[index]) / u));
        Some(DVector::from_vec(all))
    }

    /// In closed form, but for the air's part, which is integrated along with the path. What belongs to one flight leaves the others
    /// alone.
    fn jacobian(&self, parameters: &[f64]) -> Option<DMatrix<f64>> {
        let mut jacobian = DMatrix::zeros(self.len(), parameters.len());
        let mut first = 0;
        let layout = self.layout();
        for flight in 0..self.tracks.len() {
            self.fill(
                flight,
                parameters,
                &layout,
                &mut jacobian.rows_mut(first, 2 * self.tracks[flight].sightings.len()),
            )?;
            first += 2 * self.tracks[flight].sightings.len();
        }
        for (row, (index, _, u)) in self.priors().into_iter().enumerate() {
            jacobian[(self.sighting_residuals() + row, index)] = -1.0 / u;
        }
        Some(jacobian)
    }
}

impl Problem<'_> {
    /// The rows of one flight.
    fn fill(
        &self,
        flight: usize,
        parameters: &[f64],
        layout: &[(Option<usize>, Quantity)],
        rows: &mut DMatrixViewMut<f64>,
    ) -> Option<()> {
        let (track, shared) = (&self.tracks[flight], self.shared(parameters));
        let taus = self.taus(flight, &shared);
        let states = self.motion.with_drag_exponent(shared.drag_exponent).states_with_slopes(
            self.start_of(flight, parameters),
            shared.field(),
            shared.drag_factor,
            &taus,
        )?;
        for (i, ((state, slopes), s)) in states.iter().zip(track.sightings).enumerate() {
            let seen = self.bends.seen(self.view, self.shifts(parameters), MetrePoint::new(state.x, state.y))?;
            let factor = track.weights[i].sqrt() / scale_of(s, self.noise_scale);
            let late = self.view.row_fraction(s.centre_px) - track.reference_row;
            let moment = Moment { late: shared.true_s(late), stated_s: taus[i] / shared.true_s(1.0) };
            for (j, (owner, quantity)) in layout.iter().enumerate() {
                if owner.is_some_and(|owner| owner != flight) {
                    continue;
                }
                let moved = match quantity {
                    Quantity::Camera(knob) => seen.by_shift[*knob],
                    place => {
                        let (x, y) = shared.place_by(*place, state, slopes, moment);
                        let px = seen.by_place * Vector2::new(x, y);
                        PixelPoint::new(px.x, px.y)
                    }
                };
                let (a, b) = whiten(moved, s.covariance_px2);
                (rows[(2 * i, j)], rows[(2 * i + 1, j)]) = (-a * factor, -b * factor);
            }
        }
        Some(())
    }
}

/// When a sighting was taken, after the flight's own time.
#[derive(Clone, Copy)]
struct Moment {
    /// True seconds for each second of the readout.
    late: f64,
    /// On the clock, s.
    stated_s: f64,
}

impl Shared {
    /// Change of a place on the path for a unit of a quantity.
    fn place_by(&self, quantity: Quantity, state: &State, slopes: &Slopes, at: Moment) -> (f64, f64) {
        let (sin, cos) = self.roll.sin_cos();
        let by = |lever: Lever, times: f64| {
            let slope = slopes.by(lever);
            (times * slope.x, times * slope.y)
        };
        let both = |x: f64, y: f64| {
            let (a, b) = (by(Lever::FieldX, x), by(Lever::FieldY, y));
            (a.0 + b.0, a.1 + b.1)
        };
        match quantity {
            Quantity::X0 => (1.0, 0.0),
            Quantity::Y0 => (0.0, 1.0),
            Quantity::Vx => by(Lever::Vx, 1.0),
            Quantity::Vy => by(Lever::Vy, 1.0),
            Quantity::Gravity => both(sin, -cos),
            Quantity::HorizontalAcceleration => by(Lever::FieldX, 1.0),
            Quantity::Roll => both(self.gravity * cos, self.gravity * sin),
            Quantity::Readout => (state.vx * at.late, state.vy * at.late),
            Quantity::DragFactor => by(Lever::DragFactor, 1.0),
            Quantity::DragExponent => by(Lever::DragExponent, 1.0),
            Quantity::ClockRate => (state.vx * at.stated_s, state.vy * at.stated_s),
            Quantity::Camera(_) => (0.0, 0.0),
        }
    }
}

/// The residual in units of its covariance: L⁻¹·r with C = L·Lᵀ.
pub(super) fn whiten(r: PixelPoint, c: Covariance2) -> (f64, f64) {
    let l11 = c.xx.sqrt();
    let l21 = c.xy / l11;
    let l22 = (c.yy - l21 * l21).sqrt();
    let a = r.x / l11;
    (a, (r.y - l21 * a) / l22)
}
