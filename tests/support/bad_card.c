/* A card that fails to order, for a process of its own: LD_PRELOAD this, and write what the card does into the file
 * that BAD_CARD names: "stall" (each fsync takes five seconds), "enospc", "erofs", "eio", or nothing.
 * Only files below a journal or drives folder are touched. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static int mode(char *found, size_t size)
{
    const char *control = getenv("BAD_CARD");
    if (!control)
        return 0;
    int file = (int)syscall(SYS_openat, AT_FDCWD, control, O_RDONLY | O_CLOEXEC, 0);
    if (file < 0)
        return 0;
    long length = syscall(SYS_read, file, found, size - 1);
    syscall(SYS_close, file);
    found[length > 0 ? length : 0] = 0;
    return length > 0;
}

static int of_the_card(int file)
{
    char name[64], path[4096];
    snprintf(name, sizeof name, "/proc/self/fd/%d", file);
    long length = syscall(SYS_readlinkat, AT_FDCWD, name, path, sizeof path - 1);
    if (length <= 0)
        return 0;
    path[length] = 0;
    return strstr(path, "/journal") || strstr(path, "/drives");
}

static int fault(int on_sync)
{
    char what[32];
    if (!mode(what, sizeof what))
        return 0;
    if (!strcmp(what, "stall") && on_sync) {
        struct timespec five = {5, 0};
        nanosleep(&five, NULL);
        return 0;
    }
    return !strcmp(what, "enospc") ? ENOSPC : !strcmp(what, "erofs") ? EROFS : !strcmp(what, "eio") ? EIO : 0;
}

ssize_t write(int file, const void *data, size_t size)
{
    int error = of_the_card(file) ? fault(0) : 0;
    if (error) {
        errno = error;
        return -1;
    }
    return syscall(SYS_write, file, data, size);
}

int fsync(int file)
{
    int error = of_the_card(file) ? fault(1) : 0;
    if (error) {
        errno = error;
        return -1;
    }
    return (int)syscall(SYS_fsync, file);
}
