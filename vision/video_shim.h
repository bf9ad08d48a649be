#ifndef WHEELPLANE_VIDEO_SHIM_H
#define WHEELPLANE_VIDEO_SHIM_H

#ifdef __cplusplus
extern "C" {
#endif

typedef struct wp_video wp_video;
typedef struct wp_film wp_film;

/* Opens a video. Frames come in the sensor's orientation: a rotation that the
   file asks a viewer for is not applied. Returns NULL with a message in err;
   *missing is then 1 where OpenCV's library for video is what is missing. */
wp_video *wp_video_open(const char *path, int *missing, char *err, int err_cap);

/* Opens a camera of this machine by its number and asks it for frames of a size
   and rate; it may give others. Otherwise as wp_video_open. */
wp_video *wp_video_open_device(int index, int width, int height, double fps, int *missing, char *err, int err_cap);

/* What its header says: size, frames a second and number of frames (0: not
   stated). */
void wp_video_info(wp_video *v, int *width, int *height, double *fps, double *frames);

/* Goes to the next frame. Returns 1, or 0 at the end, or -1 with a message. */
int wp_video_next(wp_video *v, double *seconds, char *err, int err_cap);

/* The present frame in grey, into width x height bytes. Returns 0; 1 where it
   cannot be decoded or has another size; -1 with a message. */
int wp_video_grey(wp_video *v, int width, int height, unsigned char *dst, char *err, int err_cap);

void wp_video_close(wp_video *v);

/* Begins a video of grey frames, with a codec named by four characters. */
wp_film *wp_film_create(const char *path, const char *codec, double fps, int width, int height, int *missing, char *err, int err_cap);
int wp_film_add(wp_film *f, int width, int height, const unsigned char *grey, char *err, int err_cap);
void wp_film_close(wp_film *f);

#ifdef __cplusplus
}
#endif
#endif
