//! The pictures of a scene, one after the other. The still picture is made once for each pose of the camera; per frame only
//! the parts that balls and movers touch are drawn anew, then the whole goes through the sensor.

use nalgebra::Matrix3;
use rayon::prelude::*;

use super::Scene;
use super::camera::{Vec3, View};
use super::coat::{Coat, Frame, Shot, Sphere};
use super::motion::Path;
use super::movers::{arm, hand};
use super::processing::Processor;
use super::sensor::{Darkroom, Exposure, Gain, Patch, Window, blank_picture};
use super::set::Piece;
use super::stage::{Finish, Stage, blur, blur_weights, vignette_at};
use super::timing::Tick;
use crate::clip::{ClipError, ClipInfo, ClipReport, Frame as ClipFrame, FrameSource, Picture};

/// Renders `scene`: its displayed pictures in order, each with its presentation stamp in seconds.
pub fn render(scene: &Scene) -> Renderer {
    Renderer::new(scene.clone())
}

/// Gives the frames of a scene to the measuring core, without an encoder between.
pub fn source(scene: &Scene) -> SceneSource {
    SceneSource::new(scene.clone())
}

/// The pictures of one scene.
pub struct Renderer {
    scene: Scene,
    ticks: Vec<Tick>,
    next: usize,
    paths: Vec<Path>,
    pieces: Vec<Piece>,
    darkroom: Darkroom,
    processor: Processor,
    /// Still picture and view of an unshaken camera.
    still: Option<(Stage, View)>,
    /// For a camera that only turns: the set with a margin on all sides.
    wide: Option<Stage>,
    /// The developed still picture, when neither noise nor lamps change it.
    quiet: Option<Picture>,
}

impl Iterator for Renderer {
    /// The picture, and its presentation stamp in seconds.
    type Item = (Picture, f64);

    fn next(&mut self) -> Option<Self::Item> {
        let tick = *self.ticks.get(self.next)?;
        self.next += 1;
        Some((self.picture(tick), tick.stamp_s))
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let left = self.ticks.len() - self.next;
        (left, Some(left))
    }
}

impl Renderer {
    fn new(scene: Scene) -> Self {
        Self {
            ticks: scene.timing.schedule(scene.seed),
            next: 0,
            paths: scene.paths(),
            pieces: scene.pieces().into_iter().map(|p| p.suited_to(&scene.camera.view())).collect(),
            darkroom: Darkroom::new(&scene.sensor),
            processor: Processor::new(scene.processing),
            still: None,
            wide: None,
            quiet: None,
            scene,
        }
    }

    fn size(&self) -> [usize; 2] {
        [self.scene.camera.width, self.scene.camera.height]
    }

    fn finish(&self) -> Finish {
        let sensor = &self.scene.sensor;
        Finish { level: self.scene.light.level as f32, blur_px: sensor.blur_px, vignette: sensor.vignette }
    }

    /// The set as seen by the camera's pose of one frame.
    fn stage(&mut self, view: &View) -> Stage {
        let [width, height] = self.size();
        if self.scene.shake.is_still() || self.scene.shake.shift_m != 0.0 {
            return Stage::new(&self.pieces, view, width, height, self.finish());
        }
        let wide = self.wide.take().unwrap_or_else(|| self.wide_stage());
        let turned = Stage::turned(&wide, &self.pieces, view, width, height, self.scene.sensor.vignette);
        self.wide = Some(wide);
        turned
    }

    fn wide_stage(&self) -> Stage {
        let margin = self.scene.shake.reach_px(&self.scene.camera, self.scene.timing.duration_s());
        let mut camera = self.scene.camera.clone();
        camera.width += 2 * margin;
        camera.height += 2 * margin;
        camera.principal_px.x += margin as f64;
        camera.principal_px.y += margin as f64;
        let finish = Finish { vignette: 0.0, ..self.finish() };
        Stage::new(&self.pieces, &camera.view(), camera.width, camera.height, finish)
    }

    fn picture(&mut self, tick: Tick) -> Picture {
        let (stage, view) = self.still.take().unwrap_or_else(|| {
            let view = self.scene.view_at(tick.start_s);
            (self.stage(&view), view)
        });
        let patches = self.patches(&stage, &view, tick);
        let [width, height] = self.size();
        let gain = self.scene.light.gains(tick.start_s, &self.scene.shutter, width, height);
        let frame_seed = self.scene.seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ (tick.capture as u64) << 20;
        let steady = gain == Gain::Even(1.0) && !self.darkroom.is_noisy() && self.scene.shake.is_still();
        let exposure = Exposure { light: &stage.still, patches: &patches, gain, frame_seed };
        let mut picture = if steady { self.retouched(&exposure) } else { self.developed(&exposure) };
        if self.scene.shake.is_still() {
            self.still = Some((stage, view));
        }
        self.processor.apply(&mut picture, frame_seed);
        picture
    }

    fn whole(&self) -> Window {
        let [width, height] = self.size();
        Window { x: [0, width], y: [0, height] }
    }

    fn developed(&self, exposure: &Exposure) -> Picture {
        let [width, height] = self.size();
        let mut picture = blank_picture(width, height);
        self.darkroom.develop(exposure, self.whole(), &mut picture);
        picture
    }

    /// A copy of the still picture with the patches' own parts developed anew.
    fn retouched(&mut self, exposure: &Exposure) -> Picture {
        let quiet = self.quiet.take().unwrap_or_else(|| {
            self.developed(&Exposure { light: exposure.light, patches: &[], gain: Gain::Even(1.0), frame_seed: 0 })
        });
        let mut picture = quiet.clone();
        self.quiet = Some(quiet);
        let [width, height] = self.size();
        for p in exposure.patches {
            let even =
                |from: usize, length: usize, size: usize| [from & !1, (from + length).next_multiple_of(2).min(size)];
            let window = Window { x: even(p.x, p.width, width), y: even(p.y, p.height, height) };
            self.darkroom.develop(exposure, window, &mut picture);
        }
        picture
    }

    /// What differs from the still picture in this frame.
    fn patches(&self, stage: &Stage, view: &View, tick: Tick) -> Vec<Patch> {
        let shot = Shot { view, shutter: &self.scene.shutter, start_s: tick.start_s, size: self.size() };
        let coats = self.coats(stage, &shot);
        let margin = blur_weights(self.scene.sensor.blur_px).len();
        regions(&coats, margin, self.size()).into_par_iter().map(|region| self.patch(stage, &coats, region)).collect()
    }

    /// Everything that moves, the farthest first; shadows and mirror images before all else.
    fn coats(&self, stage: &Stage, shot: &Shot) -> Vec<Coat> {
        let level = self.scene.light.level as f32;
        let mut sorted: Vec<(f64, Coat)> = Vec::new();
        for mover in &self.scene.movers {
            let coat = shot.coat_limbs(&|t| mover.limbs(t), level);
            sorted.extend(coat.map(|c| (mover.z_m(), c)));
        }
        for path in &self.paths {
            let centre = |t: f64| path.position(t);
            let t = shot.own_mid_time(&centre);
            if path.phase(t).is_none() {
                continue;
            }
            let z = path.launch().release_m[2];
            let to_lamp = self.scene.light.direction();
            let turn = |t: f64| path.turn(t);
            let sphere = Sphere { ball: &path.launch().ball, centre: &centre, turn: &turn, to_lamp, level };
            sorted.extend(shot.coat_limbs(&|t| arm(path, t), level).map(|c| (z - 1e-6, c)));
            sorted.extend(shot.coat_limbs(&|t| hand(path, t), level).map(|c| (z - 1e-6, c)));
            sorted.extend(shot.coat_sphere(&sphere).map(|c| (z, c)));
            let echoes = self.echoes(stage, shot, &sphere, t);
            sorted.extend(echoes.into_iter().map(|c| (f64::MIN, c)));
        }
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        sorted.into_iter().map(|(_, coat)| coat).collect()
    }

    /// The shadows and mirror images of a ball on the pieces that take them.
    fn echoes(&self, stage: &Stage, shot: &Shot, sphere: &Sphere, t: f64) -> Vec<Coat> {
        let mut coats = Vec::new();
        for (i, piece) in stage.seen.pieces.iter().enumerate() {
            if self.scene.light.shadow > 0.0 && piece.takes_shadow {
                let ground = Ground { stage, view: shot.view, piece, index: i as u8 };
                coats.extend(ground.shadow(sphere, [t, shot.shutter.exposure_s], self.scene.light.shadow));
            }
            if piece.gloss > 0.0 {
                coats.extend(mirror(stage, shot, sphere, piece, i as u8));
            }
        }
        coats
    }

    /// Lays the coats over the set within a region, and gives the change against the still picture, blurred as it is.
    fn patch(&self, stage: &Stage, coats: &[Coat], region: Frame) -> Patch {
        let (width, height) = (region.width(), region.height());
        let (back, cover) = stage.sharp_within(region.x, region.y);
        let mut light = back.clone();
        coats.iter().filter(|c| c.frame.meets(&region)).for_each(|coat| lay(coat, region, &mut light));
        let [frame_width, frame_height] = self.size();
        let sensor = &self.scene.sensor;
        for (c, plane) in light.iter_mut().enumerate() {
            for (v, (back, cover)) in plane.iter_mut().zip(back[c].iter().zip(&cover)) {
                *v = (*v - back) * (1.0 - cover);
            }
            blur(plane, width, height, sensor.blur_px);
            if sensor.vignette > 0.0 {
                for (i, v) in plane.iter_mut().enumerate() {
                    let (x, y) = (region.x[0] + i % width, region.y[0] + i / width);
                    *v *= vignette_at(x, y, frame_width, frame_height, sensor.vignette);
                }
            }
        }
        Patch { x: region.x[0], y: region.y[0], width, height, light }
    }
}

/// The coats' rectangles with a margin for the blur, joined where they meet so that none is drawn twice.
fn regions(coats: &[Coat], margin: usize, size: [usize; 2]) -> Vec<Frame> {
    let grown = |f: &Frame| Frame {
        x: [f.x[0].saturating_sub(margin), (f.x[1] + margin).min(size[0])],
        y: [f.y[0].saturating_sub(margin), (f.y[1] + margin).min(size[1])],
    };
    let mut regions: Vec<Frame> = Vec::new();
    for coat in coats {
        let mut joined = grown(&coat.frame);
        while let Some(i) = regions.iter().position(|r| r.meets(&joined)) {
            joined = joined.join(&regions.swap_remove(i));
        }
        regions.push(joined);
    }
    regions
}

fn lay(coat: &Coat, region: Frame, light: &mut [Vec<f32>; 3]) {
    let frame = coat.frame;
    for y in frame.y[0].max(region.y[0])..frame.y[1].min(region.y[1]) {
        for x in frame.x[0].max(region.x[0])..frame.x[1].min(region.x[1]) {
            let i = (y - frame.y[0]) * frame.width() + x - frame.x[0];
            if coat.cover[i] <= 0.0 {
                continue;
            }
            let out = (y - region.y[0]) * region.width() + x - region.x[0];
            for (plane, own) in light.iter_mut().zip(coat.light[i]) {
                plane[out] = plane[out] * (1.0 - coat.cover[i]) + own;
            }
        }
    }
}

/// A ball's image in a polished piece, seen only where that piece is seen.
fn mirror(stage: &Stage, shot: &Shot, sphere: &Sphere, piece: &Piece, index: u8) -> Option<Coat> {
    let (normal, origin) = (piece.normal(), Vec3::from(piece.origin_m));
    let flipped = |v: Vec3| v - normal * (2.0 * normal.dot(&v));
    let centre = |t: f64| origin + flipped((sphere.centre)(t) - origin);
    let flip = Matrix3::identity() - normal * normal.transpose() * 2.0;
    let turn = |t: f64| (sphere.turn)(t) * flip;
    let image = Sphere { centre: &centre, turn: &turn, to_lamp: flipped(sphere.to_lamp), ..*sphere };
    let mut coat = shot.coat_sphere(&image)?;
    mask(&mut coat, stage, index, piece.gloss);
    Some(coat)
}

/// Thins a coat by `share` where the still picture shows piece `index`, and takes it away elsewhere.
fn mask(coat: &mut Coat, stage: &Stage, index: u8, share: f32) {
    let frame = coat.frame;
    for i in 0..coat.cover.len() {
        let (x, y) = (frame.x[0] + i % frame.width(), frame.y[0] + i / frame.width());
        let kept = if stage.shows(x, y, index) { share } else { 0.0 };
        coat.cover[i] *= kept;
        coat.light[i] = coat.light[i].map(|v| v * kept);
    }
}

/// A piece on which a ball throws its shadow.
struct Ground<'a> {
    stage: &'a Stage,
    view: &'a View,
    piece: &'a Piece,
    index: u8,
}

impl Ground<'_> {
    /// The shadow of a sphere over an exposure `during` (its middle and length, s): its disc, with an edge that softens and a
    /// depth that fades with its distance, swept along.
    fn shadow(&self, sphere: &Sphere, [middle_s, exposure_s]: [f64; 2], depth: f64) -> Option<Coat> {
        let at = |share: f64| self.cast(sphere, middle_s + share * exposure_s, depth);
        let (early, late) = (at(-0.5)?, at(0.5)?);
        let swept = |a: [f64; 4], b: [f64; 4]| [a[0].min(b[0]), a[1].max(b[1]), a[2].min(b[2]), a[3].max(b[3])];
        let bounds = swept(early.bounds, late.bounds);
        let frame = Frame::around(bounds, 1.0, [self.stage.width, self.stage.height])?;
        let way = (early.bounds[0] - late.bounds[0]).hypot(early.bounds[2] - late.bounds[2]);
        let steps = (way.ceil() as usize).clamp(1, 200);
        let casts: Vec<Cast> = (0..steps).filter_map(|k| at((k as f64 + 0.5) / steps as f64 - 0.5)).collect();
        let mut coat = Coat::empty(frame);
        for i in 0..coat.cover.len() {
            let (x, y) = (frame.x[0] + i % frame.width(), frame.y[0] + i / frame.width());
            if !self.stage.shows(x, y, self.index) {
                continue;
            }
            let ray = self.view.ray(x as f64, y as f64);
            let Some((along, ..)) = self.piece.hit(&self.view.position, &ray) else {
                continue;
            };
            let place = self.view.position + ray * along;
            coat.cover[i] = (casts.iter().map(|cast| cast.depth_at(&place)).sum::<f64>() / steps as f64) as f32;
        }
        Some(coat)
    }

    /// The shadow at one moment; `None` when it misses the piece.
    fn cast(&self, sphere: &Sphere, t: f64, depth: f64) -> Option<Cast> {
        let centre = (sphere.centre)(t);
        let (way, ..) = self.piece.hit(&centre, &-sphere.to_lamp)?;
        let foot = centre - sphere.to_lamp * way;
        let radius = sphere.ball.radius_m;
        let soft = 0.15 * radius + 0.10 * way;
        let depth = depth * (radius / (radius + 0.4 * soft)).powi(2);
        let slant = sphere.to_lamp.dot(&self.piece.normal()).abs().max(0.2);
        let reach = (radius + soft) / slant;
        let mut bounds = [f64::MAX, f64::MIN, f64::MAX, f64::MIN];
        for (u, v) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)] {
            let corner = foot + (Vec3::from(self.piece.right) * u + Vec3::from(self.piece.up) * v) * reach;
            let p = self.view.project(&corner)?;
            bounds = [bounds[0].min(p.x), bounds[1].max(p.x), bounds[2].min(p.y), bounds[3].max(p.y)];
        }
        Some(Cast { foot, to_lamp: sphere.to_lamp, radius, soft, depth, bounds })
    }
}

/// A ball's shadow at one moment.
struct Cast {
    /// Where the ray through the ball's centre meets the piece.
    foot: Vec3,
    to_lamp: Vec3,
    radius: f64,
    /// Half the width of its edge, m.
    soft: f64,
    depth: f64,
    /// x from, x to, y from, y to, px.
    bounds: [f64; 4],
}

impl Cast {
    /// Share of the light that is missing at a place of the piece.
    fn depth_at(&self, place: &Vec3) -> f64 {
        let aside = place - self.foot;
        let off = (aside - self.to_lamp * aside.dot(&self.to_lamp)).norm();
        let s = ((self.radius + self.soft - off) / (2.0 * self.soft)).clamp(0.0, 1.0);
        self.depth * s * s * (3.0 - 2.0 * s)
    }
}

/// A scene as a source of frames.
pub struct SceneSource {
    info: ClipInfo,
    renderer: Renderer,
    given: usize,
}

impl SceneSource {
    fn new(scene: Scene) -> Self {
        let info = ClipInfo {
            name: scene.name.clone(),
            width: scene.camera.width,
            height: scene.camera.height,
            codec: "pictures".to_owned(),
            container: "rendered scene".to_owned(),
            stated_rate_hz: Some(scene.timing.capture_hz / scene.timing.slow_factor),
            capture_rate_tag_hz: scene.timing.capture_tag.then_some(scene.timing.capture_hz),
            quarter_turns: scene.quarter_turns,
            mirrored: false,
            pixel_aspect_applied: false,
            dynamic_range: "SDR".to_owned(),
            bit_depth: 8,
            rows_along_y: scene.shutter.lines == super::Lines::Rows,
        };
        Self { info, renderer: Renderer::new(scene), given: 0 }
    }
}

impl FrameSource for SceneSource {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn next_frame(&mut self) -> Result<Option<ClipFrame>, ClipError> {
        let Some((picture, stamp_s)) = self.renderer.next() else { return Ok(None) };
        let index = self.given;
        self.given += 1;
        Ok(Some(ClipFrame { index, stamp_s: Some(stamp_s), picture }))
    }

    fn report(&self) -> ClipReport {
        ClipReport { frames: self.given, ..ClipReport::default() }
    }
}
