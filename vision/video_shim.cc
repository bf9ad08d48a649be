// OpenCV's reading and writing of video, behind a C interface.
//
// OpenCV's videoio brings FFmpeg and GStreamer along, a hundred libraries that
// every start would have to load. So it is loaded when a video is opened and not
// before. One symbol is looked up, the constructor: all other calls are to virtual
// functions, which need none.
#include "video_shim.h"

#include <dlfcn.h>

#include <cstdio>
#include <cstdlib>
#include <exception>
#include <mutex>
#include <new>
#include <string>

#include <opencv2/core.hpp>
#include <opencv2/core/utils/logger.hpp>
#include <opencv2/imgproc.hpp>
#include <opencv2/videoio.hpp>

struct wp_video {
	cv::VideoCapture *capture;
	cv::Mat frame, grey;
};

struct wp_film {
	cv::VideoWriter *writer;
	cv::Mat frame;
};

static int wp_fail(char *err, int cap, const char *what) {
	std::snprintf(err, cap, "%s", what);
	return -1;
}

// The library that belongs to the headers: libopencv_videoio.so.406 for 4.6.
static void *wp_videoio(std::string &problem) {
	static std::once_flag once;
	static void *lib;
	static std::string why;
	std::call_once(once, [] {
		char name[64];
		std::snprintf(name, sizeof name, "libopencv_videoio.so.%d%02d", CV_VERSION_MAJOR, CV_VERSION_MINOR);
		// FFmpeg tells of damaged files on standard error; this program says it itself.
		setenv("OPENCV_FFMPEG_LOGLEVEL", "-8", 0);
		lib = dlopen(name, RTLD_LAZY | RTLD_LOCAL);
		if (!lib) why = dlerror();
	});
	problem = why;
	return lib;
}

// Quiet is OpenCV without its own messages on standard error.
struct Quiet {
	cv::utils::logging::LogLevel before;
	Quiet() : before(cv::utils::logging::setLogLevel(cv::utils::logging::LOG_LEVEL_SILENT)) {}
	~Quiet() { cv::utils::logging::setLogLevel(before); }
};

template <class T>
static T *wp_made(const char *constructor, int *missing, char *err, int cap) {
	std::string problem;
	*missing = 0;
	void *lib = wp_videoio(problem);
	void *symbol = lib ? dlsym(lib, constructor) : nullptr;
	if (!symbol) {
		*missing = 1;
		wp_fail(err, cap, lib ? "its constructor is not there" : problem.c_str());
		return nullptr;
	}
	void *room = ::operator new(sizeof(T));
	reinterpret_cast<void (*)(void *)>(symbol)(room);
	return static_cast<T *>(room);
}

extern "C" wp_video *wp_video_open(const char *path, int *missing, char *err, int err_cap) {
	wp_video *v = nullptr;
	try {
		Quiet quiet;
		cv::VideoCapture *c = wp_made<cv::VideoCapture>("_ZN2cv12VideoCaptureC1Ev", missing, err, err_cap);
		if (!c) return nullptr;
		v = new wp_video{c, cv::Mat(), cv::Mat()};
		if (c->open(path, cv::CAP_FFMPEG)) {
			c->set(cv::CAP_PROP_ORIENTATION_AUTO, 0);
			return v;
		}
		wp_fail(err, err_cap, "not a video that can be decoded");
	} catch (const std::exception &e) {
		wp_fail(err, err_cap, e.what());
	} catch (...) {
		wp_fail(err, err_cap, "unknown error");
	}
	wp_video_close(v);
	return nullptr;
}

extern "C" wp_video *wp_video_open_device(int index, int width, int height, double fps, int *missing, char *err, int err_cap) {
	wp_video *v = nullptr;
	try {
		Quiet quiet;
		cv::VideoCapture *c = wp_made<cv::VideoCapture>("_ZN2cv12VideoCaptureC1Ev", missing, err, err_cap);
		if (!c) return nullptr;
		v = new wp_video{c, cv::Mat(), cv::Mat()};
		if (c->open(index, cv::CAP_V4L2)) {
			// Compressed frame by frame, or USB has no room for this size at this rate; one
			// frame waiting, so that none is old.
			c->set(cv::CAP_PROP_FOURCC, 'M' | 'J' << 8 | 'P' << 16 | 'G' << 24);
			c->set(cv::CAP_PROP_FRAME_WIDTH, width);
			c->set(cv::CAP_PROP_FRAME_HEIGHT, height);
			c->set(cv::CAP_PROP_FPS, fps);
			c->set(cv::CAP_PROP_BUFFERSIZE, 1);
			return v;
		}
		wp_fail(err, err_cap, "it does not answer");
	} catch (const std::exception &e) {
		wp_fail(err, err_cap, e.what());
	} catch (...) {
		wp_fail(err, err_cap, "unknown error");
	}
	wp_video_close(v);
	return nullptr;
}

extern "C" void wp_video_info(wp_video *v, int *width, int *height, double *fps, double *frames) {
	*width = (int)v->capture->get(cv::CAP_PROP_FRAME_WIDTH);
	*height = (int)v->capture->get(cv::CAP_PROP_FRAME_HEIGHT);
	*fps = v->capture->get(cv::CAP_PROP_FPS);
	*frames = v->capture->get(cv::CAP_PROP_FRAME_COUNT);
}

extern "C" int wp_video_next(wp_video *v, double *seconds, char *err, int err_cap) {
	try {
		Quiet quiet;
		if (!v->capture->grab()) return 0;
		*seconds = v->capture->get(cv::CAP_PROP_POS_MSEC) / 1000;
		return 1;
	} catch (const std::exception &e) {
		return wp_fail(err, err_cap, e.what());
	} catch (...) {
		return wp_fail(err, err_cap, "unknown error");
	}
}

extern "C" int wp_video_grey(wp_video *v, int width, int height, unsigned char *dst, char *err, int err_cap) {
	try {
		Quiet quiet;
		if (!v->capture->retrieve(v->frame)) return 1;
		const cv::Mat &f = v->frame;
		if (f.cols != width || f.rows != height || f.depth() != CV_8U) return 1;
		cv::Mat out(height, width, CV_8UC1, dst);
		switch (f.channels()) {
		case 1: f.copyTo(out); return 0;
		case 3: cv::cvtColor(f, out, cv::COLOR_BGR2GRAY); return 0;
		case 4: cv::cvtColor(f, out, cv::COLOR_BGRA2GRAY); return 0;
		}
		return 1;
	} catch (const std::exception &e) {
		return wp_fail(err, err_cap, e.what());
	} catch (...) {
		return wp_fail(err, err_cap, "unknown error");
	}
}

extern "C" void wp_video_close(wp_video *v) {
	if (!v) return;
	delete v->capture;
	delete v;
}

extern "C" wp_film *wp_film_create(const char *path, const char *codec, double fps, int width, int height, int *missing, char *err, int err_cap) {
	wp_film *f = nullptr;
	try {
		Quiet quiet;
		cv::VideoWriter *w = wp_made<cv::VideoWriter>("_ZN2cv11VideoWriterC1Ev", missing, err, err_cap);
		if (!w) return nullptr;
		f = new wp_film{w, cv::Mat()};
		const int fourcc = codec[0] | codec[1] << 8 | codec[2] << 16 | codec[3] << 24;
		if (w->open(path, fourcc, fps, cv::Size(width, height), true)) return f;
		wp_fail(err, err_cap, "the codec is not installed, or the file cannot be written");
	} catch (const std::exception &e) {
		wp_fail(err, err_cap, e.what());
	} catch (...) {
		wp_fail(err, err_cap, "unknown error");
	}
	wp_film_close(f);
	return nullptr;
}

extern "C" int wp_film_add(wp_film *f, int width, int height, const unsigned char *grey, char *err, int err_cap) {
	try {
		Quiet quiet;
		const cv::Mat in(height, width, CV_8UC1, const_cast<unsigned char *>(grey));
		cv::cvtColor(in, f->frame, cv::COLOR_GRAY2BGR);
		f->writer->write(f->frame);
		return 0;
	} catch (const std::exception &e) {
		return wp_fail(err, err_cap, e.what());
	} catch (...) {
		return wp_fail(err, err_cap, "unknown error");
	}
}

extern "C" void wp_film_close(wp_film *f) {
	if (!f) return;
	delete f->writer;
	delete f;
}
