/* Stands between a program and its C library: syncing a file fails while a certain other file exists.
   $SYNC_FAILS: fails as long as this file exists.  $SYNC_FAILS_ONCE: fails and removes this file. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
#include <unistd.h>

static int fails(void) {
    const char *always = getenv("SYNC_FAILS"), *once = getenv("SYNC_FAILS_ONCE");
    int fail = (always && access(always, F_OK) == 0) || (once && unlink(once) == 0);
    errno = fail ? EIO : 0;
    return fail;
}

int fsync(int file) {
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    return fails() ? -1 : real(file);
}

int fdatasync(int file) {
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
    return fails() ? -1 : real(file);
}
