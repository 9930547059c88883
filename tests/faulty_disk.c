/* A disk that fails on demand, for one folder: put before the C library with LD_PRELOAD.

   FAULTY_FOLDER   the folder (a prefix of the path)
   FAULTY_CONTROL  a file that holds one word: none, enospc, eio, erofs, or a number: milliseconds
                   that each sync takes
   FAULTY_TRACE    if set, every change is appended to this file, in the order it was made:
                   kind 'W' write, 'T' truncate, 'S' sync, 'U' unlink, 'R' rename;
                   then path length, offset, data length (int64, this machine's order), path, data
*/
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static int watched_path(const char *path) {
    const char *folder = getenv("FAULTY_FOLDER");
    return folder && path && strncmp(path, folder, strlen(folder)) == 0;
}

static int watched(int fd, char *path, size_t size) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, size - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return watched_path(path);
}

static void mode(char *word, size_t size) {
    const char *control = getenv("FAULTY_CONTROL");
    word[0] = 0;
    if (!control) return;
    int fd = syscall(SYS_openat, AT_FDCWD, control, O_RDONLY, 0);
    if (fd < 0) return;
    ssize_t n = syscall(SYS_read, fd, word, size - 1);
    word[n > 0 ? n : 0] = 0;
    syscall(SYS_close, fd);
}

static int refused(int adds) {
    char word[32];
    mode(word, sizeof word);
    if (!strcmp(word, "enospc") && adds) errno = ENOSPC;
    else if (!strcmp(word, "eio")) errno = EIO;
    else if (!strcmp(word, "erofs")) errno = EROFS;
    else return 0;
    return 1;
}

static void trace(char kind, const char *path, int64_t offset, const void *data, int64_t length) {
    static int out = -1;
    const char *name = getenv("FAULTY_TRACE");
    if (!name) return;
    if (out < 0) out = syscall(SYS_openat, AT_FDCWD, name, O_WRONLY | O_CREAT | O_APPEND, 0600);
    int64_t head[3] = {(int64_t)strlen(path), offset, length};
    size_t size = 1 + sizeof head + head[0] + length;
    char *record = malloc(size), *at = record;
    *at++ = kind;
    memcpy(at, head, sizeof head), at += sizeof head;
    memcpy(at, path, head[0]), at += head[0];
    if (length) memcpy(at, data, length);
    syscall(SYS_write, out, record, size);
    free(record);
}

static ssize_t put(int fd, const void *data, size_t length, off64_t offset) {
    char path[4096];
    if (watched(fd, path, sizeof path)) {
        if (refused(1)) return -1;
        trace('W', path, offset, data, length);
    }
    return syscall(SYS_pwrite64, fd, data, length, offset);
}

ssize_t pwrite64(int fd, const void *data, size_t length, off64_t offset) {
    return put(fd, data, length, offset);
}

ssize_t pwrite(int fd, const void *data, size_t length, off_t offset) {
    return put(fd, data, length, offset);
}

ssize_t write(int fd, const void *data, size_t length) {
    char path[4096];
    if (fd > 2 && watched(fd, path, sizeof path)) {
        if (refused(1)) return -1;
        trace('W', path, lseek(fd, 0, SEEK_CUR), data, length);
    }
    return syscall(SYS_write, fd, data, length);
}

static int sync_file(int fd, int (*real)(int)) {
    char path[4096], word[32];
    if (watched(fd, path, sizeof path)) {
        if (refused(0)) return -1;
        mode(word, sizeof word);
        long ms = atol(word);
        struct timespec pause = {ms / 1000, ms % 1000 * 1000000};
        nanosleep(&pause, NULL);
        int result = real(fd);
        trace('S', path, 0, NULL, 0);
        return result;
    }
    return real(fd);
}

int fsync(int fd) { return sync_file(fd, REAL(fsync)); }
int fdatasync(int fd) { return sync_file(fd, REAL(fdatasync)); }

static int cut(int fd, off64_t length, int (*real)(int, off64_t)) {
    char path[4096];
    if (watched(fd, path, sizeof path)) {
        if (refused(1)) return -1;
        trace('T', path, length, NULL, 0);
    }
    return real(fd, length);
}

int ftruncate64(int fd, off64_t length) { return cut(fd, length, REAL(ftruncate64)); }
int ftruncate(int fd, off_t length) { return cut(fd, length, REAL(ftruncate64)); }

int unlink(const char *path) {
    if (watched_path(path)) {
        if (refused(0)) return -1;
        trace('U', path, 0, NULL, 0);
    }
    return REAL(unlink)(path);
}

int rename(const char *from, const char *to) {
    if (watched_path(to)) {
        if (refused(0)) return -1;
        trace('R', from, 0, to, strlen(to));
    }
    return REAL(rename)(from, to);
}
