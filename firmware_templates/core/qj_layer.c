/* One scene or loop with its own clock, delivering control points. */
#include "qj_inside.h"

void qj_layer_rest(qj_layer *layer) {
  layer->scene = QJ_NONE;
  layer->loop = 0;
  layer->begun = 0;
  layer->frames = 0;
  layer->frame = 0;
}

void qj_layer_begin(qj_layer *layer, uint8_t scene, uint8_t tracks) {
  uint8_t t;
  layer->scene = scene;
  layer->loop = qj_is_loop(scene);
  layer->begun = 1;
  layer->frames = qj_u32(qj_scene_record(scene) + (uint32_t)4);
  layer->frame = 0;
  for (t = 0; t < tracks; t++) {
    const uint32_t record = qj_track_record(t);
    const uint32_t stream = qj_stream(scene, t);
    const int16_t rest = qj_i16(record + (uint32_t)6);
    qj_points_open(&layer->points[t], stream, rest);
    if (layer->loop) {
      /* points 0..2 stand for what the window already holds; short loops start again on the way */
      const uint32_t spans = layer->frames / (uint32_t)qj_read(record + (uint32_t)1);
      uint8_t i;
      for (i = 0; i < 3; i++) {
        if (i != 0 && (uint32_t)i % spans == 0) {
          qj_points_open(&layer->points[t], stream, rest);
        }
        (void)qj_points_next(&layer->points[t]);
      }
    }
  }
}

/* Point i + 3 of span i, which begins at the layer's present frame. past[0] becomes that point. */
int16_t qj_layer_point(qj_layer *layer, uint8_t track, uint8_t n, int16_t rest) {
  qj_points *const r = &layer->points[track];
  uint32_t spans;
  uint32_t index;
  if (layer->begun == 0) {
    r->past[0] = rest;
    return rest;
  }
  spans = layer->frames / (uint32_t)n;
  index = layer->frame / (uint32_t)n + (uint32_t)3;
  if (layer->loop) {
    while (index > spans) {
      index -= spans;
    }
    if (index == spans) {
      qj_points_open(r, qj_stream(layer->scene, track), rest);
    }
  } else if (index >= spans) {
    r->past[0] = rest;
    return rest;
  }
  return qj_points_next(r);
}

/* Returns 1 when a loop has come round. */
uint8_t qj_layer_advance(qj_layer *layer) {
  if (layer->begun == 0 || layer->frame >= layer->frames) {
    return 0;
  }
  layer->frame += (uint32_t)1;
  if (layer->loop && layer->frame == layer->frames) {
    layer->frame = 0;
    return 1;
  }
  return 0;
}
