/* One scene or loop with its own clock, delivering control points. */
#include "qj_inside.h"

/* QJ_NONE, or a number that a small board has not checked: nothing plays, every track rests. */
void qj_layer_begin(qj_layer *layer, uint8_t scene, uint8_t tracks) {
  qj_offset record;
  qj_offset streams;
  layer->scene = scene;
  layer->loop = 0;
  layer->frame = 0;
  layer->frames = 0;
  layer->begun = 0;
  if (scene >= qj_read(QJ_AT_SCENES)) {
    return;
  }
  record = qj_scene_record(scene);
  streams = qj_at(record);
  layer->loop = (uint8_t)(qj_read((qj_offset)(record + 8)) & 1);
  layer->begun = 1;
  layer->frames = qj_u16((qj_offset)(record + 4));
  while (tracks-- != 0) {
    const qj_offset stream = qj_at((qj_offset)(streams + (qj_offset)((uint16_t)tracks << 2)));
    const int16_t rest = qj_rest_point(tracks);
    const uint8_t n = qj_knot_frames(tracks);
    qj_points_open(&layer->points[tracks], stream, rest);
    if (layer->loop) {
      /* the window already stands for points 0..2; short loops come round on the way */
      uint16_t spans = (uint16_t)(layer->frames / (uint16_t)n);
      uint8_t skip;
      for (skip = 3; skip != 0; skip--) {
        if (spans == 0) {
          qj_points_open(&layer->points[tracks], stream, rest);
          spans = (uint16_t)(layer->frames / (uint16_t)n);
        }
        (void)qj_points_next(&layer->points[tracks]);
        spans = (uint16_t)(spans - 1);
      }
    }
  }
}

/* Point i + 3 of span i, which begins at the layer's present frame. past[0] becomes that point. */
int16_t qj_layer_point(qj_layer *layer, uint8_t track, uint8_t n, int16_t rest) {
  qj_points *const r = &layer->points[track];
  const uint16_t spans = (uint16_t)(layer->frames / (uint16_t)n);
  uint16_t index = (uint16_t)((uint16_t)(layer->frame / (uint16_t)n) + 3);
  if (layer->loop) {
    while (index > spans) {
      index = (uint16_t)(index - spans);
    }
    if (index == spans) {
      qj_points_open(r, qj_stream(layer->scene, track), rest);
    }
  } else if (layer->begun == 0 || index >= spans) {
    r->past[0] = rest;
    return rest;
  }
  return qj_points_next(r);
}

/* One frame on. Returns 1 when a loop has come round. */
uint8_t qj_layer_advance(qj_layer *layer) {
  if (layer->frame != layer->frames) {
    layer->frame = (uint16_t)(layer->frame + 1);
    if (layer->loop && layer->frame == layer->frames) {
      layer->frame = 0;
      return 1;
    }
  }
  return 0;
}
