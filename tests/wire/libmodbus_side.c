/* The field block's I/O side on libmodbus, written from the block's description alone, in another language and on
 * another Modbus library than the controller, so that a mistake in packing cannot be made on both sides alike.
 *
 * The belt runs forward by a closed formula of the monotonic clock: v0 rising or falling to v1 within ramp_s, then
 * v1. It starts at once or, with wait=1, with the first accepted request that says running. Products stand at first +
 * k * pitch counts. Everything that happened up to now is carried out in order of travel before a request is answered.
 *
 * Arguments are name=value, see `options`. Prints "port N" when it listens; on SIGTERM one JSON object with every
 * product's true edge and every release. SIGUSR1 opens interlock 0, SIGUSR2 closes it, SIGHUP restarts the I/O side.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <math.h>
#include <modbus.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { STATUS = 0, COMMAND = 100, COMMAND_SIZE = 13, REGISTERS = 113, RING = 8, MOST_DEPTH = 64, MOST_EVENTS = 100000 };
enum { ARMED = 1, LATE, FULL, INHIBITED, WRONG_BOOT_ID, OTHER_OWNER, TOO_FAR, OUTSIDE_WINDOW, CANCELLED };

static struct {
    double port, v0, v1, ramp_s, first, pitch, length, products, start, down, depth, mark_ms, lease_limit_ms, wait;
} o = {0, 4000, 4000, 1, 2000, 500, 120, 20, 0, 0, 8, 20, 500, 0};

static const struct { const char *name; double *value; } options[] = {
    {"port", &o.port},         {"v0", &o.v0},       {"v1", &o.v1},       {"ramp_s", &o.ramp_s},
    {"first", &o.first},       {"pitch", &o.pitch}, {"length", &o.length}, {"products", &o.products},
    {"start", &o.start},       {"down", &o.down},   {"depth", &o.depth}, {"mark_ms", &o.mark_ms},
    {"lease_limit_ms", &o.lease_limit_ms}, {"wait", &o.wait},
};

/* The world. Positions are counts of forward travel since the belt's start, as real numbers. */
static double began_s = -1, at;        /* when the belt started; how far everything is carried out */
static long edges;                     /* edges seen: product k has edges 2k (blocked) and 2k + 1 (clear) */
static double busy_until_s = -1;
static int busy;

/* The I/O side. */
static uint16_t boot_id = 7, echo, interlocks = 3, opened, ack_token, ack_result, captured, released, done;
static uint16_t owner, control, boot_id_seen, last_token;
static uint32_t ack_count;
static int baseline = 1, low_seen, granted, lease_fresh;
static double lease_until_s;
static struct { uint16_t token; int64_t travel; } target[MOST_DEPTH];
static int armed;
static uint16_t captures[RING][3], releases[RING][4];
static struct { uint16_t token, result; uint32_t raw; int64_t travel; } event[MOST_EVENTS];
static long events;

static volatile sig_atomic_t ended, open_interlock, close_interlock, restart;

static void on_signal(int number)
{
    if (number == SIGTERM || number == SIGINT) ended = 1;
    if (number == SIGUSR1) open_interlock = 1;
    if (number == SIGUSR2) close_interlock = 1;
    if (number == SIGHUP) restart = 1;
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double position(double t_s)
{
    double t = t_s - began_s, a = (o.v1 - o.v0) / o.ramp_s;
    if (began_s < 0 || t <= 0) return 0;
    if (t < o.ramp_s) return o.v0 * t + 0.5 * a * t * t;
    return 0.5 * (o.v0 + o.v1) * o.ramp_s + o.v1 * (t - o.ramp_s);
}

static double instant(double p) /* the inverse of position, for p >= 0 */
{
    double ramp = 0.5 * (o.v0 + o.v1) * o.ramp_s, a = (o.v1 - o.v0) / o.ramp_s;
    if (p >= ramp) return began_s + o.ramp_s + (p - ramp) / o.v1;
    if (a == 0) return began_s + p / o.v0;
    return began_s + (sqrt(o.v0 * o.v0 + 2 * a * p) - o.v0) / a;
}

static int64_t travel(void) { return (int64_t)floor(at); }

static uint32_t raw(int64_t counts)
{
    return o.down ? (uint32_t)((int64_t)o.start - counts) : (uint32_t)((int64_t)o.start + counts);
}

/* Forward travel that a raw count stands for under the direction the controller set. */
static uint32_t forward(uint32_t count) { return control & 4 ? (uint32_t)0 - count - 1 : count; }

static int told_true(void) { return !!(control & 4) == !!o.down; }

static int ahead(uint16_t new, uint16_t old)
{
    uint16_t d = (uint16_t)(new - old);
    return d > 0 && d < 0x8000;
}

static void lose(void)
{
    granted = 0;
    low_seen = 0;
    armed = 0;
}

static int permitted(void)
{
    return granted && interlocks == 3 && lease_fresh && boot_id_seen == boot_id && owner != 0;
}

static void settle_marker(double t_s)
{
    if (busy && t_s >= busy_until_s) {
        busy = 0;
        done++;
    }
}

static void release(uint16_t token, int64_t counts, double t_s)
{
    uint32_t count = raw(counts);
    uint16_t *entry = releases[released % RING], result = 1;
    settle_marker(t_s);
    if (busy) result = 2;
    else {
        busy = 1;
        busy_until_s = t_s + o.mark_ms / 1e3;
    }
    entry[0] = token, entry[1] = result, entry[2] = (uint16_t)(count >> 16), entry[3] = (uint16_t)count;
    released++;
    if (events < MOST_EVENTS) {
        event[events].token = token, event[events].result = result;
        event[events].raw = count, event[events].travel = counts;
        events++;
    }
}

static double edge_position(long n) { return o.first + o.pitch * (double)(n / 2) + (n % 2 ? o.length : 0); }

static void capture(long n, double p)
{
    uint32_t count = raw((int64_t)floor(p));
    uint16_t *entry = captures[captured % RING];
    entry[0] = (uint16_t)((n % 2 ? 2 : 1) | (told_true() ? 0 : 0x8000));
    entry[1] = (uint16_t)(count >> 16), entry[2] = (uint16_t)count;
    captured++;
}

static void carry_to(double p)
{
    for (;;) {
        double edge = edges < 2 * (long)o.products ? edge_position(edges) : INFINITY, reach = INFINITY;
        int i, which = -1;
        for (i = 0; i < armed; i++)
            if ((double)target[i].travel < reach) reach = (double)target[i].travel, which = i;
        if (edge > p && reach > p) break;
        if (edge <= reach) {
            at = edge;
            capture(edges++, edge);
        } else {
            uint16_t token = target[which].token;
            at = reach;
            target[which] = target[--armed];
            release(token, (int64_t)reach, instant(reach));
        }
    }
    at = p;
}

static void carry_out(double t_s)
{
    if (open_interlock) open_interlock = 0, interlocks &= 2, opened |= 1, lose();
    if (close_interlock) close_interlock = 0, interlocks = 3;
    if (lease_fresh && lease_until_s <= t_s) {
        carry_to(position(lease_until_s));
        lease_fresh = 0;
        lose();
    }
    carry_to(position(t_s));
    settle_marker(t_s);
    if (restart) {
        restart = 0, boot_id++, baseline = 1, owner = 0, echo = 0, control = 0, lease_fresh = 0;
        ack_token = ack_result = 0, ack_count = 0, captured = released = done = opened = last_token = 0;
        memset(captures, 0, sizeof captures);
        memset(releases, 0, sizeof releases);
        lose();
    }
}

static uint16_t order(const uint16_t *c)
{
    uint32_t count = (uint32_t)c[8] << 16 | c[9], last = (uint32_t)c[10] << 16 | c[11];
    int32_t distance = (int32_t)(forward(count) - forward(raw(travel())));
    int i;
    if (c[6] == 3) {
        for (i = 0; i < armed; i++)
            if (target[i].token == (uint16_t)last) {
                target[i] = target[--armed];
                return CANCELLED;
            }
        return LATE;
    }
    if (boot_id_seen != boot_id) return WRONG_BOOT_ID;
    if (!permitted()) return INHIBITED;
    if (c[6] == 2) {
        if (distance > 0 || (int32_t)(forward(last) - forward(raw(travel()))) < 0) return OUTSIDE_WINDOW;
        release(c[12], travel(), now_s());
        return ARMED;
    }
    if (c[6] != 1 || c[7] != 0 || armed >= (int)o.depth) return FULL;
    if (distance <= 0) return LATE;
    if (distance > 0x40000000) return TOO_FAR;
    target[armed].token = c[12];
    /* Told the wrong direction, the belt runs away from every target. */
    target[armed++].travel = told_true() ? travel() + distance : INT64_MAX;
    return ARMED;
}

static void take_up(const uint16_t *c, double t_s)
{
    int newcomer = baseline || c[3] != owner;
    double lease_ms = c[4] < o.lease_limit_ms ? c[4] : o.lease_limit_ms;
    if (c[3] == 0 || (newcomer && !baseline && lease_fresh)) return;
    if (!newcomer && !ahead(c[0], echo)) return;
    baseline = 0;
    echo = c[0];
    owner = c[3];
    lease_fresh = lease_ms > 0;
    lease_until_s = t_s + lease_ms / 1e3;
    boot_id_seen = c[2];
    if (newcomer) {
        last_token = ack_token = c[12], ack_result = 0, ack_count = 0, control = c[1] & 0xFFFC;
        lose();
        return;
    }
    if (!(c[1] & 1)) {
        lose();
        low_seen = 1;
        control = c[1];
    } else {
        control = (uint16_t)((c[1] & ~4) | (control & 4)); /* the direction changes only while enable is low */
        if (!granted && low_seen && interlocks == 3 && boot_id_seen == boot_id && lease_fresh) {
            granted = 1;
            low_seen = 0;
            opened = 0;
        }
        if (!permitted()) lose();
    }
    if (c[1] & 2) armed = 0;
    if ((c[1] & 16) && began_s < 0) began_s = t_s;
    if (c[6] != 0 && ahead(c[12], last_token)) {
        last_token = ack_token = c[12];
        ack_count = (uint32_t)c[8] << 16 | c[9];
        ack_result = order(c);
    }
}

static uint16_t cause(void)
{
    if (permitted()) return 0;
    if (interlocks != 3) return 2;
    if (owner != 0 && !lease_fresh) return 3;
    if (owner != 0 && boot_id_seen != boot_id) return 5;
    return control & 1 ? 4 : 1;
}

static void show(uint16_t *r, double t_s)
{
    uint32_t count = raw(travel()), us = (uint32_t)(uint64_t)(t_s * 1e6);
    int running = began_s >= 0, blocked = edges % 2;
    memset(r, 0, 80 * sizeof *r);
    r[0] = 1, r[1] = boot_id, r[2] = echo;
    r[3] = (uint16_t)(blocked | (interlocks == 3) << 1 | !busy << 2 | busy << 3 | running << 5 | !permitted() << 6
                      | !!(control & 4) << 7 | !!(control & 2) << 8);
    r[4] = interlocks, r[5] = opened, r[6] = cause(), r[7] = ack_token, r[8] = ack_result;
    r[9] = (uint16_t)(ack_count >> 16), r[10] = (uint16_t)ack_count, r[11] = (uint16_t)armed, r[12] = (uint16_t)o.depth;
    r[13] = (uint16_t)(count >> 16), r[14] = (uint16_t)count, r[15] = (uint16_t)(us >> 16), r[16] = (uint16_t)us;
    r[17] = captured, r[18] = released, r[19] = done, r[20] = 0, r[21] = owner;
    memcpy(r + 24, captures, sizeof captures);
    memcpy(r + 48, releases, sizeof releases);
}

static void serve(modbus_t *bus, modbus_mapping_t *map, const uint8_t *query, int size)
{
    int head = modbus_get_header_length(bus), function = query[head], i;
    const uint8_t *q = query + head + 1, *data = NULL;
    double t_s = now_s();
    carry_out(t_s);
    if (function == MODBUS_FC_WRITE_MULTIPLE_REGISTERS && q[0] << 8 == (COMMAND & 0xFF00) && q[1] == COMMAND
        && q[3] == COMMAND_SIZE)
        data = q + 5;
    if (function == MODBUS_FC_WRITE_AND_READ_REGISTERS && q[4] == 0 && q[5] == COMMAND && q[7] == COMMAND_SIZE)
        data = q + 9;
    if (data != NULL && data + 2 * COMMAND_SIZE <= query + size) {
        for (i = 0; i < COMMAND_SIZE; i++)
            map->tab_registers[COMMAND + i] = (uint16_t)(data[2 * i] << 8 | data[2 * i + 1]);
        take_up(map->tab_registers + COMMAND, t_s);
    }
    show(map->tab_registers + STATUS, t_s);
    modbus_reply(bus, query, size, map);
}

static void print_results(void)
{
    long i;
    printf("{\"products\": [");
    for (i = 0; i < edges; i += 2)
        printf("%s{\"lead\": %.3f, \"raw\": %u}", i ? ", " : "", edge_position(i), raw((int64_t)floor(edge_position(i))));
    printf("], \"releases\": [");
    for (i = 0; i < events; i++)
        printf("%s{\"token\": %u, \"result\": %u, \"travel\": %lld, \"raw\": %u}", i ? ", " : "", event[i].token,
               event[i].result, (long long)event[i].travel, event[i].raw);
    printf("], \"armed\": %d, \"done\": %u, \"travel\": %.3f}\n", armed, done, at);
    fflush(stdout);
}

int main(int count, char **arguments)
{
    modbus_t *bus;
    modbus_mapping_t *map;
    struct sigaction action;
    struct sockaddr_in name;
    socklen_t size = sizeof name;
    fd_set all;
    int listener, highest, i;
    size_t k;
    for (i = 1; i < count; i++) {
        char *equals = strchr(arguments[i], '=');
        for (k = 0; equals != NULL && k < sizeof options / sizeof *options; k++)
            if (strlen(options[k].name) == (size_t)(equals - arguments[i])
                && !strncmp(options[k].name, arguments[i], strlen(options[k].name)))
                break;
        if (equals == NULL || k == sizeof options / sizeof *options) {
            fprintf(stderr, "unknown option %s\n", arguments[i]);
            return 2;
        }
        *options[k].value = atof(equals + 1);
    }
    memset(&action, 0, sizeof action);
    action.sa_handler = on_signal;
    for (i = 0; i < 5; i++) sigaction((const int[]){SIGTERM, SIGINT, SIGUSR1, SIGUSR2, SIGHUP}[i], &action, NULL);
    signal(SIGPIPE, SIG_IGN);
    bus = modbus_new_tcp("127.0.0.1", (int)o.port);
    map = modbus_mapping_new(0, 0, REGISTERS, 0);
    if (bus == NULL || map == NULL || (listener = modbus_tcp_listen(bus, 8)) < 0) {
        fprintf(stderr, "cannot listen: %s\n", modbus_strerror(errno));
        return 2;
    }
    getsockname(listener, (struct sockaddr *)&name, &size);
    printf("port %d\n", ntohs(name.sin_port));
    fflush(stdout);
    if (!o.wait) began_s = now_s();
    FD_ZERO(&all);
    FD_SET(listener, &all);
    highest = listener;
    while (!ended) {
        fd_set ready = all;
        struct timeval tick = {0, 1000};
        if (select(highest + 1, &ready, NULL, NULL, &tick) < 0) FD_ZERO(&ready);
        carry_out(now_s());
        for (i = 0; i <= highest; i++) {
            uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
            int length;
            if (!FD_ISSET(i, &ready)) continue;
            if (i == listener) {
                int client = accept(listener, NULL, NULL);
                if (client >= 0 && client < FD_SETSIZE) FD_SET(client, &all);
                if (client > highest) highest = client;
                continue;
            }
            modbus_set_socket(bus, i);
            length = modbus_receive(bus, query);
            if (length > 0) serve(bus, map, query, length);
            else if (length < 0) {
                close(i);
                FD_CLR(i, &all);
            }
        }
    }
    carry_out(now_s());
    print_results();
    modbus_mapping_free(map);
    modbus_free(bus);
    return 0;
}
