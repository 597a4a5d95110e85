/* Stands between a program and its C library: the wall clock is ahead by the seconds that a file holds.
   $CLOCK_AHEAD: the file; without it, or while it is empty, the clock is right. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long ahead(void) {
    char text[32] = "";
    const char *path = getenv("CLOCK_AHEAD");
    int file = path ? open(path, O_RDONLY) : -1;
    if (file < 0) return 0;
    ssize_t got = read(file, text, sizeof text - 1);
    close(file);
    return got > 0 ? atol(text) : 0;
}

int clock_gettime(clockid_t clock, struct timespec *time) {
    int (*real)(clockid_t, struct timespec *) = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int result = real(clock, time);
    if (result == 0 && clock == CLOCK_REALTIME) time->tv_sec += ahead();
    return result;
}

int gettimeofday(struct timeval *restrict time, void *restrict zone) {
    int (*real)(struct timeval *, void *) = (int (*)(struct timeval *, void *))dlsym(RTLD_NEXT, "gettimeofday");
    int result = real(time, zone);
    if (result == 0 && time) time->tv_sec += ahead();
    return result;
}

time_t time(time_t *place) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (place) *place = now.tv_sec;
    return now.tv_sec;
}
