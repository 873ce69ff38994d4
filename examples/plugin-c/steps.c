// A plugin in plain C: the method `grade.steps`, which grades a frame by the steps between neighbouring samples.
//
//     cc -std=c11 -O2 -fPIC -shared -I ../../core/api/include -o libsteps.so steps.c
//     stillair plugin check libsteps.so
//     stillair --plugin-path . explain grade.steps
//
// The grade is the mean squared difference of samples `step_px` apart in a row, over the mean squared sample, times
// 1000: sharp detail makes large steps, and brightness cancels. Common practice, no source.

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "stillair.h"

static const StillairHost *host;

#define TEXT(words) ((StillairText){.data = (const uint8_t *)(words), .length = strlen(words)})

static int32_t fail(StillairCall *call, int32_t status, const char *message, const char *remedy) {
    host->fault(call, status, TEXT(message), TEXT(remedy));
    return status;
}

// What is left out of a description is empty.
static const char description[] =
    "{\"method\": \"grade.steps\", \"version\": 1, \"shape\": \"measure\", \"contract\": \"grade\","
    " \"summary\": \"grades frames by the steps between neighbouring samples\","
    " \"help\": \"Mean squared difference of samples step_px apart in a row, over the mean squared sample.\","
    " \"source\": \"common practice, no source\","
    " \"inputs\": ["
    "  {\"name\": \"frames\", \"type\": \"frames\", \"required\": true, \"help\": \"the frames\"},"
    "  {\"name\": \"table\", \"type\": \"table\", \"required\": true, \"help\": \"frames of weight 0 are left out\"}],"
    " \"outputs\": [{\"name\": \"table\", \"type\": \"table\", \"required\": true, \"help\": \"with the grade\"}],"
    " \"columns\": [{\"name\": \"grade_steps\", \"unit\": \"\", \"help\": \"higher is sharper\"}],"
    " \"parameters\": [{\"name\": \"step_px\", \"type\": \"integer\", \"min\": 1, \"max\": 16, \"default\": 2,"
    "  \"unit\": \"px\", \"help\": \"distance of the samples that are compared\"}]}";

static int32_t describe(const StillairMethodTable *method, StillairCall *call) {
    (void)method;
    host->put_text(call, TEXT(description));
    return STILLAIR_DONE;
}

// The node is its one parameter.
static int32_t create(const StillairMethodTable *method, StillairCall *call, void **node) {
    (void)method;
    double step_px;
    if (!host->parameter_number(call, TEXT("step_px"), &step_px))
        return fail(call, STILLAIR_INTERNAL, "no step_px", "");
    size_t *made = malloc(sizeof *made);
    if (!made)
        return fail(call, STILLAIR_RESOURCE, "no memory", "");
    *made = (size_t)step_px;
    *node = made;
    return STILLAIR_DONE;
}

static void destroy(void *node) { free(node); }

// Nothing to get ready: the run is the node.
static int32_t start(void *node, StillairCall *call, void **run) {
    (void)call;
    *run = node;
    return STILLAIR_DONE;
}

static void stop(void *run) { (void)run; }

static int32_t frame(void *run, StillairCall *call, void *worker, const StillairInputView *input, void **item) {
    (void)worker, (void)item;
    const size_t step = *(const size_t *)run;
    const StillairFrameView *view = input->frame;
    double steps = 0, light = 0;
    for (size_t plane = 0; plane < view->planes; plane++) {
        for (size_t y = 0; y < view->height; y++) {
            if (y % 64 == 0 && host->cancelled(call))
                return fail(call, STILLAIR_CANCELLED, "cancelled", "");
            const float *row = view->data + plane * view->plane_stride + y * view->row_stride;
            for (size_t x = step; x < view->width; x++) {
                const double difference = (double)row[x] - row[x - step];
                steps += difference * difference;
                light += (double)row[x] * row[x];
            }
        }
    }
    // A frame that cannot be graded gives NaN: too narrow, or black.
    const double grade = light > 0 ? 1000 * steps / light : NAN;
    host->put_row(call, &grade, 1);
    return STILLAIR_DONE;
}

static const StillairMethodTable steps = {
    .size = sizeof steps,
    .threading = STILLAIR_THREADS_ANY,
    .describe = describe,
    .create = create,
    .destroy = destroy,
    .start = start,
    .stop = stop,
    .frame = frame,
};

static const StillairMethodTable *const methods[] = {&steps};

const StillairPluginTable *stillair_plugin(const StillairHost *given) {
    static StillairPluginTable plugin;
    if (given->abi != STILLAIR_ABI)
        return NULL;
    host = given;
    plugin = (StillairPluginTable){
        .size = sizeof plugin,
        .abi = STILLAIR_ABI,
        .revision = STILLAIR_REVISION,
        .id = TEXT("example-steps"),
        .version = TEXT("1.0.0"),
        .methods = methods,
        .method_count = 1,
    };
    return &plugin;
}
