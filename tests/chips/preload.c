/* Stands between py-spidev and the kernel: /dev/spidev* is a socket to a chip model.

   Loaded with LD_PRELOAD. Messages of struct spi_ioc_transfer, as the kernel's own header has it,
   go over the socket CHIP_SOCKET: the number of transfers, then for each its length, delay and
   cs_change with the bytes to send; the bytes received come back. */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/spi/spidev.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

static int chip = -1;
static uint32_t mode, speed_hz = 125000000;

static int is_chip(const char *path) { return strncmp(path, "/dev/spidev", 11) == 0; }

static int open_chip(void) { return chip = dup(atoi(getenv("CHIP_SOCKET"))); }

int open(const char *path, int flags, ...) {
    va_list rest;
    va_start(rest, flags);
    mode_t how = va_arg(rest, mode_t);
    va_end(rest);
    if (is_chip(path)) return open_chip();
    return ((int (*)(const char *, int, mode_t))dlsym(RTLD_NEXT, "open"))(path, flags, how);
}

int open64(const char *path, int flags, ...) {
    va_list rest;
    va_start(rest, flags);
    mode_t how = va_arg(rest, mode_t);
    va_end(rest);
    if (is_chip(path)) return open_chip();
    return ((int (*)(const char *, int, mode_t))dlsym(RTLD_NEXT, "open64"))(path, flags, how);
}

static int exchange(const struct spi_ioc_transfer *all, uint32_t count) {
    int total = 0;
    send(chip, &count, sizeof count, 0);
    for (uint32_t n = 0; n < count; n++) {
        uint32_t about[3] = {all[n].len, all[n].delay_usecs, all[n].cs_change};
        send(chip, about, sizeof about, 0);
        send(chip, (const void *)(uintptr_t)all[n].tx_buf, all[n].len, 0);
    }
    for (uint32_t n = 0; n < count; n++) {
        ssize_t got = recv(chip, (void *)(uintptr_t)all[n].rx_buf, all[n].len, MSG_WAITALL);
        if (got != (ssize_t)all[n].len) {
            errno = EIO;
            return -1;
        }
        total += all[n].len;
    }
    return total;
}

int ioctl(int descriptor, unsigned long request, ...) {
    va_list rest;
    va_start(rest, request);
    void *argument = va_arg(rest, void *);
    va_end(rest);
    if (descriptor != chip || _IOC_TYPE(request) != SPI_IOC_MAGIC)
        return ((int (*)(int, unsigned long, void *))dlsym(RTLD_NEXT, "ioctl"))(descriptor, request,
                                                                                argument);
    if (_IOC_NR(request) == 0)
        return exchange(argument, _IOC_SIZE(request) / sizeof(struct spi_ioc_transfer));
    switch (request) {
    case SPI_IOC_RD_MODE: *(uint8_t *)argument = mode; break;
    case SPI_IOC_WR_MODE: mode = *(uint8_t *)argument; break;
    case SPI_IOC_RD_MODE32: *(uint32_t *)argument = mode; break;
    case SPI_IOC_WR_MODE32: mode = *(uint32_t *)argument; break;
    case SPI_IOC_RD_BITS_PER_WORD: *(uint8_t *)argument = 8; break;
    case SPI_IOC_RD_MAX_SPEED_HZ: *(uint32_t *)argument = speed_hz; break;
    case SPI_IOC_WR_MAX_SPEED_HZ: speed_hz = *(uint32_t *)argument; break;
    default: break;
    }
    return 0;
}
