//go:build ignore

/*
 * A foreign peer on the line: a server and a client made with libmodbus, so
 * that plumbline is held against frames that somebody else's code made.
 *
 *   peer serve tcp UNIT         server on a free port of 127.0.0.1
 *   peer serve rtu PATH UNIT    server on a serial port, 19200 bit/s, 8E1
 *   peer ask tcp PORT UNIT      client of 127.0.0.1:PORT
 *   peer ask rtu PATH UNIT      client on a serial port
 *   peer version                the library's version
 *
 * A server reads its contents from standard input until the end of it:
 *
 *   coil|discrete-input|input-register|holding-register ADDRESS VALUE
 *   float-abcd|float-cdab TABLE ADDRESS VALUE      put in order by the library
 *   uint32 TABLE ADDRESS VALUE                     high word first
 *
 * then says "listening ..." and, for each request, "function N address A". Each
 * table has the addresses 0 to 199; all else is exception 02.
 *
 * A client reads requests from standard input and answers each with one line:
 * "ok VALUES", "exception N" or "error WORDS":
 *
 *   1|2|3|4 ADDRESS COUNT       5|6 ADDRESS VALUE      15|16 ADDRESS VALUE...
 *   22 ADDRESS AND OR           23 READ COUNT WRITE VALUE...
 *   float-abcd|float-cdab 3|4 ADDRESS
 *   raw HEX                     a PDU as it stands; answers with the answer's PDU
 *
 * It ends by itself after two minutes, whatever happens.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { ITEMS = 200, LIFE_SECONDS = 120, BAUD = 19200, MOST_NUMBERS = 100 };

static void fail(const char *what, const char *why) {
    fprintf(stderr, "peer: %s: %s\n", what, why);
    exit(1);
}

static void fail_modbus(const char *what) { fail(what, modbus_strerror(errno)); }

/* ---- server ---- */

static uint16_t *registers(modbus_mapping_t *m, const char *table) {
    if (strcmp(table, "input-register") == 0)
        return m->tab_input_registers;
    if (strcmp(table, "holding-register") == 0)
        return m->tab_registers;
    fail("no table of registers", table);
    return NULL;
}

/* put_float lets the library put a float in order and read it back. Its setters
 * that name an order swap the bytes of each word in version 3.1.6; the one
 * without a name does not, and puts the low word first. */
static void put_float(uint16_t *words, int cdab, float value) {
    modbus_set_float(value, words);
    if (!cdab) {
        uint16_t low = words[0];
        words[0] = words[1];
        words[1] = low;
    }
    if ((cdab ? modbus_get_float_cdab(words) : modbus_get_float_abcd(words)) != value)
        fail("the library", "does not read back the float that it put");
}

static void put(modbus_mapping_t *m, const char *kind, const char *table, int at, double value) {
    if (at < 0 || at > ITEMS - 2)
        fail("address out of range", kind);
    if (strcmp(kind, "coil") == 0)
        m->tab_bits[at] = value != 0;
    else if (strcmp(kind, "discrete-input") == 0)
        m->tab_input_bits[at] = value != 0;
    else if (strncmp(kind, "float-", 6) == 0)
        put_float(registers(m, table) + at, strcmp(kind, "float-cdab") == 0, (float)value);
    else if (strcmp(kind, "uint32") == 0) {
        uint32_t whole = (uint32_t)value;
        MODBUS_SET_INT32_TO_INT16(registers(m, table), at, whole);
    } else
        registers(m, kind)[at] = (uint16_t)value;
}

static modbus_mapping_t *read_contents(void) {
    modbus_mapping_t *m = modbus_mapping_new(ITEMS, ITEMS, ITEMS, ITEMS);
    char line[256], kind[32], table[32];
    int at;
    double value;
    if (m == NULL)
        fail_modbus("no memory for the tables");
    while (fgets(line, sizeof line, stdin) != NULL) {
        if (sscanf(line, "%31s %d %lf", kind, &at, &value) == 3)
            put(m, kind, kind, at, value);
        else if (sscanf(line, "%31s %31s %d %lf", kind, table, &at, &value) == 4)
            put(m, kind, table, at, value);
        else
            fail("contents not understood", line);
    }
    return m;
}

/* serve answers requests until the line or connection ends. */
static void serve(modbus_t *ctx, modbus_mapping_t *m) {
    uint8_t q[MODBUS_MAX_ADU_LENGTH];
    int head = modbus_get_header_length(ctx);
    for (;;) {
        int n = modbus_receive(ctx, q);
        if (n == -1 && (errno == EMBBADCRC || errno == EMBBADDATA || errno == ETIMEDOUT))
            continue;
        if (n == -1)
            return;
        if (n == 0)
            continue; /* for another unit */
        printf("function %d address %d\n", q[head], MODBUS_GET_INT16_FROM_INT8(q, head + 1));
        fflush(stdout);
        if (modbus_reply(ctx, q, n, m) == -1 && errno == EPIPE)
            return;
    }
}

static void serve_tcp(int unit) {
    modbus_mapping_t *m = read_contents();
    modbus_t *ctx = modbus_new_tcp("127.0.0.1", 0);
    struct sockaddr_in at;
    socklen_t size = sizeof at;
    int listener;
    if (ctx == NULL)
        fail_modbus("no context");
    if ((listener = modbus_tcp_listen(ctx, 4)) == -1)
        fail_modbus("cannot listen");
    if (getsockname(listener, (struct sockaddr *)&at, &size) == -1)
        fail("no address", strerror(errno));
    modbus_set_slave(ctx, unit);
    printf("listening tcp 127.0.0.1:%d\n", ntohs(at.sin_port));
    fflush(stdout);
    while (modbus_tcp_accept(ctx, &listener) != -1) {
        serve(ctx, m);
        modbus_close(ctx);
    }
}

static modbus_t *open_rtu(const char *path, int unit) {
    modbus_t *ctx = modbus_new_rtu(path, BAUD, 'E', 8, 1);
    if (ctx == NULL)
        fail_modbus("no context");
    modbus_set_slave(ctx, unit);
    if (modbus_connect(ctx) == -1)
        fail_modbus(path);
    return ctx;
}

static void serve_rtu(const char *path, int unit) {
    modbus_mapping_t *m = read_contents();
    modbus_t *ctx = open_rtu(path, unit);
    printf("listening rtu %s\n", path);
    fflush(stdout);
    serve(ctx, m);
}

/* ---- client ---- */

/* numbers reads the numbers of a request line behind its first word. */
static int numbers(char *rest, int *n, int most) {
    int count = 0;
    for (char *word = strtok(rest, " \n"); word != NULL && count < most; word = strtok(NULL, " \n"))
        n[count++] = (int)strtol(word, NULL, 0);
    return count;
}

static void print_result(int rc, const uint16_t *words, const uint8_t *bits, int count) {
    if (rc == -1 && errno > MODBUS_ENOBASE && errno < MODBUS_ENOBASE + MODBUS_EXCEPTION_MAX)
        printf("exception %d", errno - MODBUS_ENOBASE);
    else if (rc == -1)
        printf("error %s", modbus_strerror(errno));
    else {
        printf("ok");
        for (int i = 0; i < count; i++)
            printf(" %d", words != NULL ? words[i] : bits[i]);
    }
    printf("\n");
    fflush(stdout);
}

/* ask sends the request of a function code with its numbers, of which there
 * are at least two. */
static void ask(modbus_t *ctx, int function, const int *n, int count) {
    uint16_t words[MODBUS_MAX_READ_REGISTERS + 1] = {0};
    uint8_t bits[MODBUS_MAX_READ_BITS] = {0};
    int first = function == 23 ? 3 : 1; /* of the values to write */
    for (int i = first; i < count; i++) {
        words[i - first] = (uint16_t)n[i];
        bits[i - first] = n[i] != 0;
    }
    switch (function) {
    case 1:
        print_result(modbus_read_bits(ctx, n[0], n[1], bits), NULL, bits, n[1]);
        break;
    case 2:
        print_result(modbus_read_input_bits(ctx, n[0], n[1], bits), NULL, bits, n[1]);
        break;
    case 3:
        print_result(modbus_read_registers(ctx, n[0], n[1], words), words, NULL, n[1]);
        break;
    case 4:
        print_result(modbus_read_input_registers(ctx, n[0], n[1], words), words, NULL, n[1]);
        break;
    case 5:
        print_result(modbus_write_bit(ctx, n[0], n[1]), NULL, NULL, 0);
        break;
    case 6:
        print_result(modbus_write_register(ctx, n[0], (uint16_t)n[1]), NULL, NULL, 0);
        break;
    case 15:
        print_result(modbus_write_bits(ctx, n[0], count - 1, bits), NULL, NULL, 0);
        break;
    case 16:
        print_result(modbus_write_registers(ctx, n[0], count - 1, words), NULL, NULL, 0);
        break;
    case 22:
        print_result(modbus_mask_write_register(ctx, n[0], words[0], words[1]), NULL, NULL, 0);
        break;
    case 23: {
        uint16_t read[MODBUS_MAX_READ_REGISTERS];
        int rc = modbus_write_and_read_registers(ctx, n[2], count - 3, words, n[0], n[1], read);
        print_result(rc, read, NULL, n[1]);
        break;
    }
    default:
        fail("no such function here", "see the head of peer.c");
    }
}

/* ask_float reads a float and lets the library put its words in order. */
static void ask_float(modbus_t *ctx, int cdab, const int *n) {
    uint16_t words[2];
    int rc = n[0] == 4 ? modbus_read_input_registers(ctx, n[1], 2, words) : modbus_read_registers(ctx, n[1], 2, words);
    if (rc == -1)
        print_result(rc, words, NULL, 0);
    else
        printf("ok %.9g\n", cdab ? modbus_get_float_cdab(words) : modbus_get_float_abcd(words));
    fflush(stdout);
}

/* ask_raw sends a PDU as it stands. */
static void ask_raw(modbus_t *ctx, int unit, const char *hex) {
    uint8_t q[MODBUS_MAX_PDU_LENGTH + 1], a[MODBUS_MAX_ADU_LENGTH];
    int count = 1, n, head = modbus_get_header_length(ctx);
    unsigned byte;
    q[0] = (uint8_t)unit;
    for (; count < (int)sizeof q && sscanf(hex, "%2x", &byte) == 1; hex += 2)
        q[count++] = (uint8_t)byte;
    if (modbus_send_raw_request(ctx, q, count) == -1 || (n = modbus_receive_confirmation(ctx, a)) == -1) {
        print_result(-1, NULL, NULL, 0);
        return;
    }
    printf("ok ");
    for (int i = head; i < n - (head == 1 ? 2 : 0); i++) /* RTU ends with its CRC */
        printf("%02x", a[i]);
    printf("\n");
    fflush(stdout);
}

static void ask_all(modbus_t *ctx, int unit) {
    char line[2048], word[32];
    int n[MOST_NUMBERS], used;
    modbus_set_response_timeout(ctx, 5, 0);
    while (fgets(line, sizeof line, stdin) != NULL) {
        if (sscanf(line, "%31s %n", word, &used) != 1)
            continue;
        if (strcmp(word, "raw") == 0) {
            ask_raw(ctx, unit, line + used);
            continue;
        }
        int count = numbers(line + used, n, MOST_NUMBERS);
        if (count < 2)
            fail("too few numbers", word);
        if (strcmp(word, "float-cdab") == 0 || strcmp(word, "float-abcd") == 0)
            ask_float(ctx, strcmp(word, "float-cdab") == 0, n);
        else
            ask(ctx, atoi(word), n, count);
    }
}

static modbus_t *open_tcp(const char *port, int unit) {
    modbus_t *ctx = modbus_new_tcp("127.0.0.1", atoi(port));
    if (ctx == NULL)
        fail_modbus("no context");
    modbus_set_slave(ctx, unit);
    if (modbus_connect(ctx) == -1)
        fail_modbus("cannot connect");
    return ctx;
}

int main(int argc, char **argv) {
    alarm(LIFE_SECONDS);
    if (argc == 2 && strcmp(argv[1], "version") == 0)
        printf("libmodbus %u.%u.%u\n", libmodbus_version_major, libmodbus_version_minor, libmodbus_version_micro);
    else if (argc == 4 && strcmp(argv[1], "serve") == 0 && strcmp(argv[2], "tcp") == 0)
        serve_tcp(atoi(argv[3]));
    else if (argc == 5 && strcmp(argv[1], "serve") == 0 && strcmp(argv[2], "rtu") == 0)
        serve_rtu(argv[3], atoi(argv[4]));
    else if (argc == 5 && strcmp(argv[1], "ask") == 0) {
        int unit = atoi(argv[4]);
        ask_all(strcmp(argv[2], "tcp") == 0 ? open_tcp(argv[3], unit) : open_rtu(argv[3], unit), unit);
    } else
        fail("usage", "see the head of peer.c");
    return 0;
}
